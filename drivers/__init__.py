"""Act on one device, in its own language, and know nothing of why."""
