"""The workshop: generated portraits from a boat-building documentary, with exact truth."""
