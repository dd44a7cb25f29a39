"""The verbs of the command line, one module each; every module holds one click command named ``command``."""
