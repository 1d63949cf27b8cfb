"""Rehearsals: a site's own file, run through an outage in which nothing is sent.

The engine, its plan and its drivers are the real ones, in the state and with the beliefs that the
live run has; what they would send is written down, and the site around them is simulated. It runs
on a loop of its own, in a process of its own where an agent is at work, and never touches that.
"""
