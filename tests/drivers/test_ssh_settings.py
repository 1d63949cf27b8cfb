"""What the ssh tables of a site's file accept, and what they say when they do not."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pydantic import BaseModel, ValidationError

from drivers.base import Stage
from drivers.settings import SecretSources
from drivers.ssh import KIND
from drivers.ssh_settings import SshAccess

PIN = "SHA256:" + "A" * 43


def access(folder: Path, **table: object) -> SshAccess:
    """Validate an access table as the file's own folder would have it."""
    for name in ("key", "login"):
        (folder / name).write_text(f"the {name}\n")
        (folder / name).chmod(0o600)
    sound = {"user": "watch", "key": {"file": "key"}, "host_keys": [PIN]}
    merged = {name: value for name, value in {**sound, **table}.items() if value is not None}
    return SshAccess.model_validate(merged, context={"secrets": SecretSources(folder, {})})


def complaint(error: pytest.ExceptionInfo[ValidationError]) -> str:
    return " ".join(fault["msg"] for fault in error.value.errors())


def test_small_table_suffices(tmp_path: Path) -> None:
    """Three lines must do for an ordinary Linux machine."""
    read = access(tmp_path)

    assert (read.user, read.port, read.host_keys) == ("watch", 22, (PIN,))
    assert read.key is not None
    assert read.key.get_secret_value() == "the key"
    assert "the key" not in repr(read)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ({"host_keys": None}, "ssh-keyscan -p 22 ADDRESS | ssh-keygen -lf -"),
        ({"host_keys": None}, "compare what it prints with the device's own console"),
        ({"host_keys": ["aa:bb:cc"]}, 'write a fingerprint as ssh-keygen -l prints it: "SHA256:…"'),
        ({"key": None}, "give key = { file = … } or password = { file = … }"),
        ({"key": "-----BEGIN"}, "a secret never stands in the file"),
        ({"known_hosts": "absent"}, "there is no file"),
        ({"port": 0}, "greater than or equal to 1"),
        ({"port": "22"}, "valid integer"),
        ({"host_key": [PIN]}, "Extra inputs are not permitted"),
    ],
)
def test_faulty_access_says_what_to_write(tmp_path: Path, table: dict[str, Any], says: str) -> None:
    """Whoever stands at the cabinet needs the next step, not the name of a type."""
    with pytest.raises(ValidationError) as error:
        access(tmp_path, **table)

    assert says in complaint(error)


def test_fingerprint_may_end_in_padding(tmp_path: Path) -> None:
    """Some tools print the base64 sign of padding, OpenSSH does not."""
    assert access(tmp_path, host_keys=[PIN + "="]).host_keys == (PIN,)


def test_known_hosts_is_counted_from_the_files_own_folder(tmp_path: Path) -> None:
    """The agent's working directory is nobody's business."""
    (tmp_path / "known_hosts").write_text("")
    read = access(tmp_path, host_keys=None, known_hosts="known_hosts")

    assert read.known_hosts == tmp_path / "known_hosts"


def test_password_alone_suffices(tmp_path: Path) -> None:
    """Many recorders know no keys."""
    assert access(tmp_path, key=None, password={"file": "login"}).key is None


@pytest.mark.parametrize(
    ("stage", "table", "says"),
    [
        (Stage.STOP, {}, 'give either run = "…" or dialogue'),
        (
            Stage.STOP,
            {"run": "x", "dialogue": [{"send": "y"}]},
            'give either run = "…" or dialogue',
        ),
        (Stage.STOP, {"run": ""}, "at least 1 character"),
        (Stage.STOP, {"run": ["x", 3]}, "valid string"),
        (Stage.STOP, {"dialogue": [{}]}, "give expect, send or send_secret"),
        (Stage.STOP, {"dialogue": [{"expect": "("}]}, "not a regular expression"),
        (Stage.STOP, {"dialogue": [{"send": "y"}], "expect": "z"}, "a dialogue has its own"),
        (Stage.STOP, {"run": "x", "repeat": "often"}, "'safe', 'look first' or 'never'"),
        (Stage.QUIESCE, {"run": "x", "every": 2}, "write a duration with its unit"),
        (Stage.VERIFY, {"run": "x"}, "Extra inputs are not permitted"),
    ],
)
def test_faulty_stage_says_what_to_write(stage: Stage, table: dict[str, Any], says: str) -> None:
    """A stop that means nothing must be found at `check`, not in the outage."""
    with pytest.raises(ValidationError) as error:
        KIND.stages[stage].model_validate(table)

    assert says in complaint(error)


def test_default_verification_watches_the_port_of_the_login(tmp_path: Path) -> None:
    """A device with a port of its own is verified at that port, not at 22."""
    assert KIND.port(access(tmp_path, port=2222)) == 2222


def test_every_table_is_closed_and_frozen() -> None:
    """A mistyped key that is silently ignored is a stop that does not happen."""
    models: list[type[BaseModel]] = [KIND.access, *KIND.stages.values()]

    assert all(m.model_config.get("extra") == "forbid" for m in models)
    assert all(m.model_config.get("frozen") for m in models)


def test_checking_a_file_does_not_load_the_ssh_library() -> None:
    """`check` answers at once; loading the library takes most of a second."""
    code = "import sys; from drivers.ssh import KIND; sys.exit('paramiko' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
