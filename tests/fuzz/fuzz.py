"""Have atheris look for bytes that a reader does not bear: `./tests/run --fuzz --seconds 60`.

Each target is searched in a process of its own, guided by coverage, from its examples on. What it
finds is written beside the corpus as `NAME-crash-…`; put it into `targets.TARGETS` once understood.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
from pathlib import Path

SLACK_S = 120


def search(name: str, corpus: Path, seconds: int) -> None:
    """Search one target, in this process; it ends the process."""
    import atheris  # type: ignore[import-not-found,import-untyped,unused-ignore]  # of requirements/security.txt

    with atheris.instrument_imports(include=["agent", "drivers", "policies"]):
        from tests.fuzz.targets import TARGETS, run_once
    folder = corpus / name
    folder.mkdir(parents=True, exist_ok=True)
    for number, example in enumerate(TARGETS[name][1]):
        (folder / f"example-{number}").write_bytes(example)
    options = [f"-max_total_time={seconds}", "-max_len=4096", "-timeout=5", "-rss_limit_mb=1024"]
    options += [f"-artifact_prefix={corpus}/{name}-", "-print_final_stats=1", "-verbosity=0"]
    atheris.Setup([sys.argv[0], *options, str(folder)], lambda data: run_once(name, data))
    atheris.Fuzz()


def main() -> int:
    """Search every target, or one; 1 where something was found."""
    from tests.fuzz.targets import TARGETS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--corpus", type=Path, default=Path("build/fuzz"))
    parser.add_argument("--only", choices=sorted(TARGETS))
    parser.add_argument("--within", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.within:
        search(options.within, options.corpus, options.seconds)
    found = []
    for name in [options.only] if options.only else TARGETS:
        command = [sys.executable, "-m", "tests.fuzz.fuzz", "--within", name]
        command += ["--corpus", str(options.corpus), "--seconds", str(options.seconds)]
        done = subprocess.run(
            command, capture_output=True, text=True, timeout=options.seconds + SLACK_S
        )
        tried = [line for line in done.stderr.splitlines() if "number_of_executed_units" in line]
        print(f"{name}: {tried[0].split()[-1] if tried else '?'} tried, exit {done.returncode}")
        if done.returncode:
            found.append(name)
            print(done.stderr[-3000:])
    print(f"found something in: {', '.join(found)}" if found else "found nothing")
    return bool(found)


if __name__ == "__main__":
    sys.exit(main())
