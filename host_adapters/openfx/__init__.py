"""The OpenFX host adapter: a bundle in which every node is an effect, for any host that follows the standard."""
