"""A site from nothing to handed over: its file asked together, its box pinned, its drill guided."""
