"""Orders carried out: what is told to devices, to units and to this box, and what comes of it."""
