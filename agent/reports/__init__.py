"""Documents for owners, integrators and whoever stands before the rack: each one file, to be kept.

    outage.outage_html       what happened in one outage, and what is to be mended
    month.month_html, .month_text    a month in short, as a page and as the text of a mail
    year.year_html           interruptions of a year in the trade's terms, recording, batteries
    handover.handover_html   a site as wired, for the integrator's client
    rack.rack_html           one printed page to hang in the cabinet
    filing.Filing            has a running agent keep the reports of its outages

All are made of a story (`agent.story`) or a site's file, and take tens of milliseconds and more:
on a loop, make them in a thread. Nothing in them is fetched from anywhere, and no script runs.
"""
