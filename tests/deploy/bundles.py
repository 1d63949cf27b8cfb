"""Bundles to install: the real one, by deploy/bundle, and others made of it, whole or broken."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
PYTHON = "3.11"
"""What the Debian of the boxes has."""


def made(folder: Path, release: str = "1.0") -> Path:
    """Have deploy/bundle make one, not packed, and return it."""
    bundle = folder / release
    done = subprocess.run(
        [ROOT / "deploy/bundle", "--python", PYTHON, "--release", release, "--folder", bundle],
        capture_output=True,
        text=True,
        env={**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"},
    )
    assert done.returncode == 0, done.stderr
    return bundle


def variant(bundle: Path, release: str, changes: dict[str, tuple[str, str]] | None = None) -> Path:
    """Return a bundle beside *bundle* of another release.

    Args:
        bundle: an unpacked one.
        release: its name.
        changes: file in the wheel -> what is replaced there, and by what.
    """
    other = bundle.with_name(release)
    shutil.rmtree(other, ignore_errors=True)
    shutil.copytree(bundle, other, copy_function=os.link)
    rewrite(other / "release", f"{release}\n")
    wheel = next((other / "wheels").glob("lastwatt-*.whl"))
    before = hashlib.sha256(wheel.read_bytes()).hexdigest()
    _change(wheel, changes or {})
    after = hashlib.sha256(wheel.read_bytes()).hexdigest()
    wanted = other / "requirements.txt"
    rewrite(wanted, wanted.read_text().replace(before, after))
    sum_up(other)
    return other


def _change(wheel: Path, changes: dict[str, tuple[str, str]]) -> None:
    with zipfile.ZipFile(wheel) as packed:
        files = {info.filename: packed.read(info) for info in packed.infolist()}
    for name, (old, new) in changes.items():
        text = files[name].decode()
        assert old in text, f"{name} has no {old!r}"
        files[name] = text.replace(old, new).encode()
    wheel.unlink()
    with zipfile.ZipFile(wheel, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, data in files.items():
            packed.writestr(name, data)


def rewrite(path: Path, text: str) -> None:
    """Write a file anew: it may be a link to another bundle's."""
    path.unlink(missing_ok=True)
    path.write_text(text)


def sum_up(bundle: Path) -> None:
    """Make a bundle's sums true."""
    names = sorted(p for p in bundle.rglob("*") if p.is_file() and p.name != "SHA256SUMS")
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  ./{path.relative_to(bundle)}"
        for path in names
    ]
    rewrite(bundle / "SHA256SUMS", "\n".join([*lines, ""]))


def crashing() -> dict[str, tuple[str, str]]:
    """Return the changes of a release whose agent ends at once; its other commands work."""
    return {
        "agent/wiring.py": (
            "            await core.units.listen()\n",
            '            raise RuntimeError("this release is broken")\n',
        )
    }


def deaf() -> dict[str, tuple[str, str]]:
    """Return the changes of a release that runs, and no longer understands the unit."""
    return {"agent/units/rfc1628.py": ("(1, 3, 6, 1, 2, 1, 33)", "(1, 3, 6, 1, 2, 1, 34)")}
