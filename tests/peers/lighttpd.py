"""A second real web server on loopback: lighttpd, which knows Digest with SHA-256."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from tests.peers.apache import PASSWORD, REALM, USER, binary, free_port, wait_for

_CONFIGURATION = """
server.document-root = "{folder}/www"
server.bind = "127.0.0.1"
server.port = {port}
server.errorlog = "{folder}/error.log"
server.modules = ("mod_auth", "mod_authn_file", "mod_accesslog")
accesslog.filename = "{folder}/access.log"
accesslog.format = "%m %U %>s %{{Authorization}}i"
accesslog.use-syslog = "disable"
auth.backend = "plain"
auth.backend.plain.userfile = "{folder}/users"
auth.require = ("/" => (
    "method" => "digest", "realm" => "{realm}", "require" => "valid-user",
    "algorithm" => "{algorithms}"
))
mimetype.assign = (".json" => "application/json")
"""


@dataclass(slots=True)
class Lighttpd:
    """One lighttpd that serves /state.json behind Digest; a context manager.

    Attributes:
        algorithms: those it offers, a challenge each, in its order: "SHA-256|MD5".
    """

    algorithms: str = "SHA-256"
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="lighttpd-")))
    port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._start(binary("lighttpd", "lighttpd"))
        except BaseException:
            self.__exit__()
            raise
        return self

    def __exit__(self, *_: object) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
        shutil.rmtree(self.folder)

    @property
    def served(self) -> list[str]:
        """What its own log says: "METHOD PATH STATUS AUTHORIZATION"; complete once it ended."""
        assert self._process is not None
        self._process.terminate()  # it buffers the log
        self._process.wait(10)
        return (self.folder / "access.log").read_text().splitlines()

    def _start(self, program: str) -> None:
        (self.folder / "www").mkdir()
        (self.folder / "www" / "state.json").write_text('{"state":"idle"}')
        (self.folder / "users").write_text(f"{USER}:{PASSWORD}\n")
        text = _CONFIGURATION.format(
            folder=self.folder, port=self.port, realm=REALM, algorithms=self.algorithms
        )
        (self.folder / "lighttpd.conf").write_text(text)
        self._process = subprocess.Popen(
            [program, "-D", "-f", str(self.folder / "lighttpd.conf")],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_for(self.port, self._process, self.folder / "error.log")
