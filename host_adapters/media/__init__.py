"""Media: pictures and video in and out."""
