"""The process in which an agent has a rehearsal run: what to do comes by stdin, news by stdout.

One line of JSON asks for it; then come lines `{"progress": …}`, and last `{"result": …}` or
`{"error": …}`. It ends when stdin is closed, so it never outlives the agent.
"""

from __future__ import annotations

import json
import logging
import os
import sys
import threading
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

from agent.cli.site import load_whole
from agent.logs import set_up_logs
from agent.rehearsal.known import estimates_in, from_text
from agent.rehearsal.result import to_text
from agent.rehearsal.run import rehearse
from agent.rehearsal.terms import Progress, Strength, Terms
from drivers.errors import LastwattError

_NICE = 10
"""The live agent, on the same small box, comes first."""


def main() -> int:
    """Run the rehearsal that is asked for."""
    set_up_logs(level=logging.CRITICAL)
    os.nice(_NICE)
    line = sys.stdin.readline()
    threading.Thread(target=_end_with_parent, name="parent", daemon=True).start()
    try:
        asked = json.loads(line)
        loaded = load_whole(Path(asked["file"]))
        known = from_text(loaded.site, asked["known"], estimates_in(Path(asked["folder"])))
        result = rehearse(loaded, known, _terms(asked["terms"]), _tell)
    except LastwattError as error:
        _say({"error": str(error)})
        return 1
    except Exception as error:
        _say({"error": f"lastwatt's own code failed in it ({type(error).__name__}: {error})"})
        return 1
    _say({"result": to_text(result)})
    return 0


def _terms(said: dict[str, Any]) -> Terms:
    begins, strength = datetime.fromisoformat(said["begins"]), Strength(said["strength"])
    return Terms(**{**said, "begins": begins, "strength": strength})


def _tell(progress: Progress) -> None:
    _say({"progress": asdict(progress)})


def _say(said: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(said) + "\n")
    sys.stdout.flush()


def _end_with_parent() -> None:
    sys.stdin.read()
    os._exit(1)


if __name__ == "__main__":
    sys.exit(main())
