"""The desk: a page in the browser of this machine that drives the same nodes and saves the same graph files."""
