"""Decide, purely: the same input always gives the same orders."""
