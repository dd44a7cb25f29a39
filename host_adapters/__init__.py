"""Adapters: each knows one host and the declarations of nodes."""
