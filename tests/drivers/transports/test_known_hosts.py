"""Lines of known_hosts files, as OpenSSH's own tools write and read them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from drivers.errors import DeviceRefusedError
from drivers.transports.known_hosts import KnownKey, known_keys
from tests.peers.sshd import binary, make_key

pytestmark = pytest.mark.peer


@pytest.fixture
def key(tmp_path: Path) -> tuple[str, KnownKey]:
    """A public key made by ssh-keygen: its line without names, and itself as ssh-keygen -l says."""
    make_key(tmp_path / "host", "ed25519")
    program = binary("ssh-keygen", package="openssh-client")
    said = subprocess.run(
        [program, "-lf", str(tmp_path / "host.pub")], capture_output=True, text=True, check=True
    ).stdout
    line = " ".join((tmp_path / "host.pub").read_text().split()[:2])
    return line, KnownKey("ssh-ed25519", said.split()[1])


def known(folder: Path, *lines: str, host: str = "192.0.2.7", port: int = 22) -> set[KnownKey]:
    path = folder / "known_hosts"
    path.write_text("\n".join(lines) + "\n")
    return set(known_keys(path, host=host, port=port))


def openssh_finds(folder: Path, name: str) -> bool:
    """Ask ssh-keygen -F whether the file last written knows *name*."""
    program = binary("ssh-keygen", package="openssh-client")
    command = [program, "-F", name, "-f", str(folder / "known_hosts")]
    return subprocess.run(command, capture_output=True, check=False).returncode == 0


# Each line's meaning is asked of ssh-keygen -F in the same test.
@pytest.mark.parametrize(
    ("names", "host", "port", "is_known"),
    [
        ("192.0.2.7", "192.0.2.7", 22, True),
        ("192.0.2.7", "192.0.2.7", 2222, False),
        ("[192.0.2.7]:2222", "192.0.2.7", 2222, True),
        ("[192.0.2.7]:2222", "192.0.2.7", 22, False),
        ("gate.example,192.0.2.7", "192.0.2.7", 22, True),
        ("Gate.Example", "gate.example", 22, True),
        ("192.0.2.*", "192.0.2.7", 22, True),
        ("192.0.2.?", "192.0.2.70", 22, False),
        ("192.0.2.*,!192.0.2.7", "192.0.2.7", 22, False),
        ("192.0.2.*,!192.0.2.7", "192.0.2.8", 22, True),
        ("[192.0.2.*]:2222", "192.0.2.7", 2222, True),
        ("192.0.2.70", "192.0.2.7", 22, False),
        ("2001:db8::7", "2001:db8::7", 22, True),
    ],
)
def test_names_mean_what_they_mean_to_openssh(
    tmp_path: Path,
    key: tuple[str, KnownKey],
    *,
    names: str,
    host: str,
    port: int,
    is_known: bool,
) -> None:
    """A pin read too widely lets a stranger in; too narrowly, it keeps the device out."""
    line, fingerprint = key
    found = known(tmp_path, f"{names} {line}", host=host, port=port)

    assert found == ({fingerprint} if is_known else set())
    assert openssh_finds(tmp_path, host if port == 22 else f"[{host}]:{port}") is is_known


@pytest.mark.parametrize(("port", "name"), [(22, "192.0.2.7"), (2222, "[192.0.2.7]:2222")])
def test_hashed_names_are_found(
    tmp_path: Path, key: tuple[str, KnownKey], port: int, name: str
) -> None:
    """Debian hashes the names by default."""
    line, fingerprint = key
    known(tmp_path, f"{name} {line}", f"other.example {line}")
    program = binary("ssh-keygen", package="openssh-client")
    path = tmp_path / "known_hosts"
    subprocess.run([program, "-H", "-f", str(path)], capture_output=True, check=True)
    assert "|1|" in path.read_text()
    assert name not in path.read_text()

    assert known_keys(path, host="192.0.2.7", port=port) == {fingerprint}
    assert known_keys(path, host="192.0.2.8", port=port) == frozenset()


def test_revoked_key_is_never_returned(tmp_path: Path, key: tuple[str, KnownKey]) -> None:
    """A key known to be stolen must not open the door, whatever other lines say."""
    line, fingerprint = key

    assert known(tmp_path, f"* {line}") == {fingerprint}
    assert known(tmp_path, f"* {line}", f"@revoked * {line}") == set()


def test_lines_of_no_use_are_passed_over(tmp_path: Path, key: tuple[str, KnownKey]) -> None:
    """One odd line must not hide the others."""
    line, fingerprint = key
    lines = (
        "",
        "# a remark about 192.0.2.7",
        "192.0.2.7",
        "192.0.2.7 ssh-ed25519 not-base64!",
        "|1|short 192.0.2.7 x",
        f"@cert-authority 192.0.2.7 {line}",
        f"192.0.2.7 {line} a remark",
    )

    assert known(tmp_path, *lines) == {fingerprint}
    assert known(tmp_path, *lines[:-1]) == set()


def test_unreadable_file_says_which(tmp_path: Path) -> None:
    """The message names the file, so that somebody can mend it."""
    with pytest.raises(DeviceRefusedError, match="absent: No such file"):
        known_keys(tmp_path / "absent", host="192.0.2.7", port=22)
