"""Detectors: pictures in, boxes and landmarks out."""
