"""How each device is known to work: earned, kept, and voided as its file or login changes."""
