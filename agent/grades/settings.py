"""Fingerprints of what the site's file says of each device: what was shown holds for that alone."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping

from agent.config import LoadedSite


def fingerprints(loaded: LoadedSite) -> Mapping[str, str]:
    """Return, by device, a short word that changes with how it is reached, told and started.

    What only weighs it (watts, worth, hold, how long its stages take) is left out: a drill teaches
    such figures, and writing them down must not void it. Of a secret only the place counts.
    """
    return {name: _fingerprint(loaded, name) for name in loaded.site.devices}


def _fingerprint(loaded: LoadedSite, name: str) -> str:
    device = loaded.site.devices[name]
    said = {
        "address": loaded.addresses[name],
        "feeds": device.feeds,
        "path": device.path,
        "starts": device.starts.value,
        "by_writers": device.by_writers,
        "stages": {stage.value: by for stage, by in loaded.stage_drivers[name].items()},
        "tables": {by: fitted.tables for by, fitted in loaded.fittings[name].items()},
    }
    text = json.dumps(said, sort_keys=True, default=_plain, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:16]


def _plain(value: object) -> object:
    return dict(value) if isinstance(value, Mapping) else str(value)
