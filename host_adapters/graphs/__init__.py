"""Graphs: files, keyframes, the runner, the render of frames, the standard chain."""
