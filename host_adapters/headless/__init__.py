"""Headless: graph files, the runner, picture and video files, and the command line."""
