"""A real collector on loopback: Debian's rsyslogd, which writes what it read as JSON.

Its own parser of RFC 5424, and `mmpstrucdata` for structured data, say what a message holds; see
"Properties" and "mmpstrucdata" of the rsyslog documentation.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Self

from tests.peers.apache import binary, free_port, wait_for
from tests.peers.certificates import Issued

_CONFIGURATION = """
global(workDirectory="{folder}" maxMessageSize="16k" {tls})
module(load="imudp")
module(load="imtcp" {driver})
module(load="mmpstrucdata")
template(name="said" type="list" option.jsonf="on") {{
    property(outname="pri" name="pri" format="jsonf")
    property(outname="version" name="protocol-version" format="jsonf")
    property(outname="time" name="timereported" dateFormat="rfc3339" format="jsonf")
    property(outname="host" name="hostname" format="jsonf")
    property(outname="app" name="app-name" format="jsonf")
    property(outname="process" name="procid" format="jsonf")
    property(outname="id" name="msgid" format="jsonf")
    property(outname="raw_sd" name="structured-data" format="jsonf")
    property(outname="sd" name="$!rfc5424-sd" format="jsonf")
    property(outname="text" name="msg" format="jsonf")
}}
ruleset(name="keep") {{
    action(type="mmpstrucdata" sd_name.lowercase="off")
    action(type="omfile" file="{folder}/said" template="said" asyncWriting="off")
}}
input(type="imudp" address="127.0.0.1" port="{port}" ruleset="keep")
input(type="imtcp" address="127.0.0.1" port="{port}" ruleset="keep")
"""


@dataclass(slots=True)
class Rsyslog:
    """One rsyslogd that takes UDP and TCP on one port; a context manager.

    Attributes:
        tls: its certificate; TCP is then TLS.
    """

    tls: Issued | None = None
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="rsyslog-")))
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._start(binary("rsyslogd", "rsyslog"))
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
        shutil.rmtree(self.folder)

    def _start(self, program: str) -> None:
        tls = driver = ""
        if self.tls is not None:
            tls = (
                'defaultNetstreamDriver="gtls" '
                f'defaultNetstreamDriverCAFile="{self.tls.certificate}" '
                f'defaultNetstreamDriverCertFile="{self.tls.certificate}" '
                f'defaultNetstreamDriverKeyFile="{self.tls.key}"'
            )
            driver = 'streamDriver.name="gtls" streamDriver.mode="1" streamDriver.authMode="anon"'
        text = _CONFIGURATION.format(folder=self.folder, port=self.port, tls=tls, driver=driver)
        configuration = self.folder / "rsyslog.conf"
        configuration.write_text(text)
        with (self.folder / "log").open("wb") as log:
            self._process = subprocess.Popen(
                [program, "-n", "-f", str(configuration), "-i", str(self.folder / "pid")],
                stdout=log,
                stderr=subprocess.STDOUT,
            )
        wait_for(self.port, self._process, self.folder / "log")

    @property
    def said(self) -> list[dict[str, Any]]:
        """What it read so far, as it understood it."""
        path = self.folder / "said"
        if not path.exists():
            return []
        entries = [json.loads(line) for line in path.read_text().splitlines()]
        return [{**entry, "sd": json.loads(entry["sd"])} for entry in entries]
