"""The tables of a site's file that the ssh driver reads."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator

from drivers.settings import Duration, Secret, SecretSources, Settings
from drivers.tcp import WatchSettings
from drivers.transports.known_hosts import how_to_pin

_FINGERPRINT = re.compile(r"SHA256:[A-Za-z0-9+/]{43}")


def _tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


def _commands(value: object) -> object:
    return (value,) if isinstance(value, str) else _tuple(value)


def _fingerprint(value: str) -> str:
    if not _FINGERPRINT.fullmatch(value.rstrip("=")):
        raise ValueError('write a fingerprint as ssh-keygen -l prints it: "SHA256:…"')
    return value.rstrip("=")


def _pattern(value: str) -> str:
    try:
        re.compile(value)
    except re.error as error:
        raise ValueError(f"not a regular expression: {error}") from error
    return value


def _file(value: object, info: ValidationInfo) -> object:
    """Count a relative path from the site file's own folder, as for secrets."""
    if not isinstance(value, str):
        return value
    sources = (info.context or {}).get("secrets")
    path = Path(value)
    if isinstance(sources, SecretSources):
        path = sources.base / path
        if sources.must_exist and not path.is_file():
            raise ValueError(f"there is no file {path}")
    return path


_Text = Annotated[str, Field(min_length=1)]
_Regexp = Annotated[_Text, AfterValidator(_pattern)]
_Fingerprints = Annotated[
    tuple[Annotated[str, AfterValidator(_fingerprint)], ...], BeforeValidator(_tuple)
]


Legacy = Literal["diffie-hellman-group14-sha1", "diffie-hellman-group1-sha1", "ssh-rsa"]


class QuestionSettings(Settings):
    """What a probe asks, beyond logging in: something that will bite in an outage.

    Attributes:
        run: a command that changes nothing. A key whose authorized_keys entry forces a command runs
            that one instead: never ask through such a key.
        good: regular expression that must be found in what it writes; None = its exit status is 0.
        fault: the sentence to say where the answer is not good.
    """

    run: _Text
    good: _Regexp | None = None
    fault: _Text


class SshAccess(Settings):
    """The access table: whom to log in as, and how the device proves that it is the one.

    Attributes:
        key, password: one of them, or both where the device asks for both.
        host_keys: fingerprints "SHA256:…" of the device; one of its keys suffices.
        known_hosts: a file of OpenSSH's format that holds its key instead.
        sudo_password: sent to each command that begins with `sudo -S`.
        legacy: algorithms that are broken or nearly so, offered to this device alone, after all
            newer ones; "ssh-rsa" is a host key signed with SHA-1.
        connect_early: log in when an outage begins, and wait there; None = unless the device is
            spoken with in a dialogue, since such consoles often serve one person at a time.
        probe: what a probe asks once it is in.
    """

    user: _Text
    port: int = Field(default=22, ge=1, le=65535)
    key: Secret | None = None
    key_passphrase: Secret | None = None
    password: Secret | None = None
    host_keys: _Fingerprints = ()
    known_hosts: Annotated[Path | None, BeforeValidator(_file)] = None
    sudo_password: Secret | None = None
    legacy: list[Legacy] = Field(default=[])
    connect_early: bool | None = None
    probe: Annotated[tuple[QuestionSettings, ...], BeforeValidator(_tuple)] = ()

    @model_validator(mode="after")
    def _suffices(self) -> Self:
        if self.key is None and self.password is None:
            raise ValueError("give key = { file = … } or password = { file = … }")
        if not self.host_keys and self.known_hosts is None:
            how = how_to_pin("ADDRESS", self.port, into='write host_keys = ["SHA256:…"]')
            raise ValueError(f"host_keys or known_hosts is missing; {how}")
        return self


class PromptSettings(Settings):
    """One turn of a dialogue.

    Attributes:
        expect: regular expression for what the console writes first.
        send, send_secret: the line to send then.
        within: how long to wait for *expect*.
    """

    expect: _Regexp | None = None
    send: str | None = None
    send_secret: Secret | None = None
    within: Duration = 10.0

    @model_validator(mode="after")
    def _suffices(self) -> Self:
        if self.send is not None and self.send_secret is not None:
            raise ValueError("give send or send_secret, not both")
        if self.expect is None and self.send is None and self.send_secret is None:
            raise ValueError("give expect, send or send_secret")
        return self


class DoingSettings(Settings):
    """What a stage does to the device.

    Attributes:
        run: a command, or several to be run one after the other; the first that fails ends it.
        stdin_secret: written to the standard input of each.
        dialogue: turns on a terminal instead; end it in an `expect` where the console answers.
        expect: regular expression that must be found in what the last command writes.
        repeat: how it may be repeated when nobody knows whether it took effect.
    """

    run: Annotated[tuple[_Text, ...], BeforeValidator(_commands)] = ()
    stdin_secret: Secret | None = None
    dialogue: Annotated[tuple[PromptSettings, ...], BeforeValidator(_tuple)] = ()
    expect: _Regexp | None = None
    repeat: Literal["safe", "look first", "never"] | None = None

    @model_validator(mode="after")
    def _is_one_of_two(self) -> Self:
        if bool(self.run) == bool(self.dialogue):
            raise ValueError('give either run = "…" or dialogue = [{ expect = "…", send = "…" }]')
        if self.dialogue and (self.stdin_secret is not None or self.expect is not None):
            raise ValueError("stdin_secret and expect go with run; a dialogue has its own")
        return self


class QuiesceSettings(DoingSettings):
    """The quiesce table.

    Attributes:
        confirm: a command whose exit status 0 means that the device is quiesced; every: how often
            it is asked.
        restore: a command that undoes it, harmless where there is nothing to undo.
    """

    confirm: _Text | None = None
    every: Duration = 2.0
    restore: _Text | None = None


class StopSettings(DoingSettings):
    """The stop table."""


class StartSettings(DoingSettings):
    """The start table.

    Attributes:
        confirm: a command whose exit status 0 means that the device runs; every: how often
            it is asked.
    """

    confirm: _Text | None = None
    every: Duration = 2.0


class VerifySettings(WatchSettings):
    """The verify table: gone is judged by the SSH port, running by a command or by logging in.

    Attributes:
        running: a command whose exit status 0 means that the device runs.
    """

    running: _Text | None = None
