"""The regular work of a site, by its calendar: once, though late, and never in an outage."""
