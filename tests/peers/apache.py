"""A real web server on loopback: Apache with Basic, Digest, form login and TLS before scripts.

Every script stands behind every login: /open/api/stop, /basic/api/stop, /digest/…, /brief/…
(Digest whose nonces go stale after a second) and /form/… (a session, by a cookie from /login).
"""

from __future__ import annotations

import hashlib
import os
import shutil
import socket
import subprocess
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import pytest

from tests.peers.certificates import Issued, self_signed

USER = "watch"
PASSWORD = "rope & tide £3"
REALM = "yard"

_MODULES = Path("/usr/lib/apache2/modules")
_WANTED = (
    *("mpm_event", "alias", "cgid", "request", "session", "session_cookie", "ssl"),
    *("authn_core", "authn_file", "authz_core", "authz_user"),
    *("auth_basic", "auth_digest", "auth_form"),
)

# Each notes the request before it answers: what is in `calls` did arrive.
_SCRIPTS = {
    "stop": """
note
printf 'Content-Type: application/json\\r\\n\\r\\n{"state":"stopping","by":"%s"}' "$REMOTE_USER"
""",
    "state": """
note
printf 'Content-Type: application/json\\r\\n\\r\\n{"state":"%s"}' "$(cat "$FOLDER/state")"
""",
    "busy": """
note
if [ "$(grep -c busy "$FOLDER/calls")" -lt 3 ]; then
    printf 'Status: 503 Service Unavailable\\r\\nRetry-After: 1\\r\\n\\r\\nbusy'
else
    printf 'Content-Type: application/json\\r\\n\\r\\n{"state":"stopping"}'
fi
""",
    "page": """
note
printf 'Content-Type: text/html\\r\\n\\r\\n<!DOCTYPE html><html><body>Please log in</body></html>'
""",
}

_CONFIGURATION = """
ServerRoot "{folder}"
ServerName quayside.example
PidFile "{folder}/pid"
DefaultRuntimeDir "{folder}"
Mutex file:{folder}
ErrorLog "{folder}/error.log"
LogFormat "%m %U %>s" short
CustomLog "{folder}/access.log" short
{modules}
{identity}
ScriptSock "{folder}/cgid"
Timeout 10
KeepAlive On
StartServers 1
ServerLimit 1
ThreadsPerChild 4
MaxRequestWorkers 4
MinSpareThreads 1
MaxSpareThreads 4
DocumentRoot "{folder}/www"
ScriptAliasMatch "^/(open|basic|digest|brief|form)/api/([a-z]+)$" "{folder}/cgi/$2"
Listen 127.0.0.1:{port}
Listen 127.0.0.1:{tls_port}

<Location "/basic">
AuthType Basic
AuthName "{realm}"
AuthUserFile "{folder}/basic"
Require valid-user
</Location>
<LocationMatch "^/(digest|brief)">
AuthType Digest
AuthName "{realm}"
AuthUserFile "{folder}/digest"
Require valid-user
</LocationMatch>
<Location "/brief">
AuthDigestNonceLifetime 1
</Location>
<LocationMatch "^/(form|login)">
AuthType form
AuthName "{realm}"
AuthFormProvider file
AuthUserFile "{folder}/basic"
Session On
SessionCookieName sid path=/
Require valid-user
</LocationMatch>
<Location "/login">
SetHandler form-login-handler
</Location>
<Location "/logout">
SetHandler form-logout-handler
Session On
SessionMaxAge 1
SessionCookieName sid path=/
</Location>
<VirtualHost 127.0.0.1:{tls_port}>
SSLEngine on
{tls_lines}
SSLCertificateFile "{issued.certificate}"
SSLCertificateKeyFile "{issued.key}"
</VirtualHost>
"""


def binary(name: str, package: str) -> str:
    """Return the path of a program; skip where it is absent, fail where CI is true."""
    found = shutil.which(name, path=os.environ.get("PATH", "") + ":/usr/sbin")
    if found is None:
        message = f"{name} is not installed; apt-get install {package}"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    return found


def free_port() -> int:
    """Return a TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def digest_entry(user: str, realm: str, password: str) -> str:
    """Return a line of the file that htdigest(1) writes: user:realm:H(A1), H = MD5."""
    secret = hashlib.md5(f"{user}:{realm}:{password}".encode()).hexdigest()
    return f"{user}:{realm}:{secret}\n"


@dataclass(slots=True)
class Apache:
    """One Apache; a context manager that starts it and ends it.

    Attributes:
        issued: what it shows over TLS; None = a certificate that vouches for itself.
        tls_lines: more of mod_ssl's directives.
        folder: its own folder, where its own user can get at it.
    """

    issued: Issued | None = None
    tls_lines: str = ""
    folder: Path = field(default_factory=lambda: Path(tempfile.mkdtemp(prefix="apache-")))
    port: int = field(default_factory=free_port)
    tls_port: int = field(default_factory=free_port)
    _process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        try:
            self._start(binary("apache2", "apache2"))
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
        self.folder.chmod(0o755)
        self.issued = self.issued or self_signed(self.folder, "gate-recorder")
        self._write()
        with (self.folder / "error.log").open("wb") as log:  # the same that Apache appends to
            self._process = subprocess.Popen(
                [program, "-f", str(self.folder / "apache.conf"), "-DFOREGROUND"],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )
        wait_for(self.port, self._process, self.folder / "error.log")

    @property
    def calls(self) -> list[str]:
        """What reached a script: "METHOD URI TYPE USER BODY", in order."""
        return (self.folder / "calls").read_text().splitlines()

    @property
    def served(self) -> list[str]:
        """What Apache's own log says of every request: "METHOD PATH STATUS", in order."""
        return (self.folder / "access.log").read_text().splitlines()

    def forget(self) -> None:
        """Empty `calls`, and set the state back to idle."""
        (self.folder / "calls").write_text("")
        self.put_state("idle")

    def put_state(self, state: str) -> None:
        """Set what /…/api/state answers."""
        (self.folder / "state").write_text(state)

    def _write(self) -> None:
        for name in ("www", "cgi"):
            (self.folder / name).mkdir()
        (self.folder / "calls").touch()
        (self.folder / "calls").chmod(0o666)  # scripts run as another user
        self.put_state("idle")
        head = (
            f"#!/bin/sh\nFOLDER='{self.folder}'\n"
            "note() {\n"
            '  body=$(head -c "${CONTENT_LENGTH:-0}")\n'
            '  echo "$REQUEST_METHOD $REQUEST_URI ${CONTENT_TYPE:--} ${REMOTE_USER:--} $body"'
            ' >>"$FOLDER/calls"\n}\n'
        )
        for name, script in _SCRIPTS.items():
            path = self.folder / "cgi" / name
            path.write_text(head + script)
            path.chmod(0o755)
        htpasswd = binary("htpasswd", "apache2-utils")
        subprocess.run(
            [htpasswd, "-ci", str(self.folder / "basic"), USER],
            input=PASSWORD.encode(),
            check=True,
            capture_output=True,
        )
        (self.folder / "digest").write_text(digest_entry(USER, REALM, PASSWORD))
        self._write_configuration()

    def _write_configuration(self) -> None:
        lines = (f'LoadModule {n}_module "{_MODULES}/mod_{n}.so"' for n in _WANTED)
        text = _CONFIGURATION.format(
            folder=self.folder,
            modules="\n".join(lines),
            identity="User www-data\nGroup www-data" if os.geteuid() == 0 else "",
            realm=REALM,
            port=self.port,
            tls_port=self.tls_port,
            issued=self.issued,
            tls_lines=self.tls_lines,
        )
        (self.folder / "apache.conf").write_text(text)


def wait_for(port: int, process: subprocess.Popen[bytes], log: Path) -> None:
    """Return once *port* of 127.0.0.1 takes connections; at most a minute."""
    until = time.monotonic() + 60
    while time.monotonic() < until:
        if process.poll() is not None:
            break
        try:
            socket.create_connection(("127.0.0.1", port), 1).close()
        except OSError:
            time.sleep(0.02)
        else:
            return
    said = log.read_text() if log.exists() else "nothing"
    raise AssertionError(f"the server did not come up; its log: {said}")
