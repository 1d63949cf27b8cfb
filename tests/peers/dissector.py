"""tshark as an independent reader of what goes over loopback."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import pytest

WITHIN_S = 20


class Dissector:
    """A capture under way.

    Attributes:
        process: tshark; it ends by itself after its packets.
    """

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process

    def rows(self) -> list[list[str]]:
        """Return the fields of each packet, once all of them came."""
        out, trouble = self.process.communicate(timeout=WITHIN_S)
        assert self.process.returncode == 0, trouble
        return [line.split("\t") for line in out.splitlines()]


@contextmanager
def dissecting(captured: str, *, packets: int, fields: Sequence[str]) -> Iterator[Dissector]:
    """Capture on loopback from now on; skip without tshark, fail where CI is true.

    Args:
        captured: the filter, as pcap-filter(7) has it.
        packets: so many end it.
        fields: what is read of each.
    """
    program = shutil.which("tshark")
    if program is None:
        if os.environ.get("CI") == "true":
            pytest.fail("tshark is not installed; apt-get install tshark")
        pytest.skip("tshark is not installed; apt-get install tshark")
    command = [program, "-n", "-l", "-i", "lo", "-f", captured, "-c", str(packets)]
    command += ["-a", f"duration:{WITHIN_S}", "-T", "fields"]
    command += [part for field in fields for part in ("-e", field)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, errors="replace"
    )
    try:
        assert process.stderr is not None
        said = []
        for line in process.stderr:
            said.append(line)
            if "Capture started" in line:
                break
        else:
            raise AssertionError(f"tshark captures nothing: {''.join(said)}")
        yield Dissector(process)
    finally:
        process.kill()
        process.communicate()
