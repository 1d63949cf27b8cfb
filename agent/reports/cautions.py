"""The cautions that every paper on a site carries; local codes and licensed people decide."""

from __future__ import annotations

GENERAL = (
    "Life safety first: fire alarm, emergency lighting, doors that must release and emergency call "
    "have no place behind a load that software sheds. Local codes and licensed people decide.",
    "A backup unit holds mains voltage and a battery that can burn. Its output may be live with "
    "its input isolated. Leave its inside to people who are trained for it.",
    "Batteries are heavy, and can give a fatal current. Old or swollen ones are replaced, not "
    "tested, by somebody trained for it, and recycled.",
    "Cameras may be on duty for somebody's safety: get the owner's word before any is given up.",
    "Readings and reports are advice to people, and never a safety function.",
)

AT_THE_RACK = (
    "Mains voltage and a battery that can burn: do not open the unit, nor pull its plug. Its "
    "output may be live with mains away.",
    "Smoke, heat, a swollen or leaking battery: leave, call the fire service, then the contact.",
    "Life-safety loads (fire alarm, emergency lighting, doors that must release) are never "
    "switched from here.",
)
