"""Nodes."""
