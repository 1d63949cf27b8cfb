"""Ask whether a flaw is known in what lastwatt is built on, and write down what that is.

`./tests/run --audit` asks the vulnerability service of the Python package index (pip-audit) about
every pinned requirement of a run, and writes a bill of materials (CycloneDX 1.6, JSON) of them to
`dist/`. Exit status: 0 nothing known, 1 a flaw is known, 3 the service could not be asked.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

PINNED = Path("requirements/run.txt")
BILL = Path("dist/lastwatt.cdx.json")


def verdict(found: Sequence[dict[str, Any]]) -> tuple[int, list[str]]:
    """Return the exit status for what pip-audit found of each package, and the lines to say.

    Args:
        found: its JSON, `dependencies`; `skip_reason` stands where a package was not audited.
    """
    flawed = [each for each in found if each.get("vulns")]
    asked = [each for each in found if "skip_reason" not in each]
    lines = [
        f"{each['name']} {each['version']}: {flaw['id']}, mended in "
        f"{', '.join(flaw.get('fix_versions', ())) or 'no release yet'}"
        for each in flawed
        for flaw in each["vulns"]
    ]
    if flawed:
        return 1, lines
    if len(asked) < len(found) or not found:
        left = len(found) - len(asked)
        return 3, [f"{left} of {len(found)} packages could NOT be audited: no answer about them"]
    return 0, [f"no flaw is known in any of {len(found)} packages"]


def main() -> int:
    """Audit, write the bill, and say what came of it."""
    here = Path(sys.executable).parent
    audit: list[str | Path] = [
        here / "pip-audit",
        "-r",
        PINNED,
        "--disable-pip",
        "--require-hashes",
    ]
    asked = subprocess.run(
        [*audit, "--timeout", "10", "--format", "json", "--progress-spinner", "off"],
        capture_output=True,
        text=True,
        timeout=600,
    )
    found = json.loads(asked.stdout)["dependencies"] if asked.stdout.startswith("{") else []
    status, lines = verdict(found)
    print(*lines, sep="\n")
    BILL.parent.mkdir(exist_ok=True)
    bill: list[str | Path] = [
        here / "cyclonedx-py",
        "requirements",
        PINNED,
        "--of",
        "JSON",
        "--sv",
        "1.6",
    ]
    subprocess.run([*bill, "-o", BILL, "--output-reproducible"], check=True, timeout=60)
    print(f"{BILL}: {len(json.loads(BILL.read_text())['components'])} components")
    return status


if __name__ == "__main__":
    sys.exit(main())
