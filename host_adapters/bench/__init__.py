"""Benchmarks: how accurate the key and the solvers are, measured on pictures with known truth."""
