"""The command line: one module a verb, each with one click command named ``command``."""
