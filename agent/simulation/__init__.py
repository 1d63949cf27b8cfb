"""The real engine in virtual time against a site drawn at random: what must always hold, held.

A seed draws a site, what its battery and devices truly are, how they lie and fail, and what mains
does; the agent's own engine, conductor, policies and watches ride through it on a loop that jumps.
"""
