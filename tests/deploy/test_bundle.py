"""What a bundle for another machine holds: for each of its Pythons, exactly what is pinned."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.tags import Tag, cpython_tags
from packaging.utils import canonicalize_name, parse_wheel_filename

from tests.deploy.bundles import ROOT

pytestmark = [pytest.mark.peer, pytest.mark.install]

PLATFORMS = [f"manylinux_2_{glibc}_aarch64" for glibc in range(36, 16, -1)] + [
    "manylinux2014_aarch64"
]
"""What Debian 12, glibc 2.36, loads (PEP 600)."""


@pytest.fixture(scope="module")
def bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bundle") / "made"
    subprocess.run(
        [ROOT / "deploy/bundle", "--arch", "aarch64", "--folder", folder],
        check=True,
        capture_output=True,
        env={**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"},
    )
    return folder


@pytest.mark.parametrize("version", ["3.11", "3.12", "3.13"])
def test_every_pin_has_a_wheel_that_the_board_loads(bundle: Path, version: str) -> None:
    """On the day of the installation there is nowhere to get it from."""
    major, minor = map(int, version.split("."))
    loads = set(cpython_tags((major, minor), platforms=PLATFORMS)) | {Tag("py3", "none", "any")}
    box = {
        "python_version": version,
        "python_full_version": f"{version}.0",
        "platform_machine": "aarch64",
        "sys_platform": "linux",
    }
    held = {
        (name, str(number))
        for name, number, _, tags in map(
            parse_wheel_filename, (path.name for path in (bundle / "wheels").glob("*.whl"))
        )
        if tags & loads or any(tag.platform == "any" for tag in tags)
    }
    lines = re.findall(r"^(\S.*?) \\$", (bundle / "requirements.txt").read_text(), re.M)
    wanted = [r for r in map(Requirement, lines) if r.marker is None or r.marker.evaluate(box)]

    assert len(wanted) > 30
    for requirement in wanted:
        pinned = str(requirement.specifier).removeprefix("==")
        assert (canonicalize_name(requirement.name), pinned) in held, str(requirement)
