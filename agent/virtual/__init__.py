"""The embedded virtual site: real protocols on loopback, an invented yard, and a faster clock.

It is the demo, the stage of a rehearsal and an integrator's training ground. Nothing here is
imported by the agent that watches a real site.
"""
