"""The `snmp = { … }` table of the site's file: how to speak SNMP with a unit or a device."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, SecretStr, model_validator

from drivers.settings import Duration, Secret, Settings

Version = Literal["1", "2c", "3"]
AuthProtocol = Literal["none", "md5", "sha1", "sha224", "sha256", "sha384", "sha512"]
"""RFC 3414 (md5, sha1) and RFC 7860 (the others)."""
PrivacyProtocol = Literal["none", "des", "aes128"]
"""RFC 3414 (des) and RFC 3826 (aes128)."""

SECRET_LEAST = 8
"""Fewest characters of an SNMPv3 secret, RFC 3414 section 11.2."""


class SnmpSettings(Settings):
    """Version, credentials and pace of asking; every rule between them is checked here.

    Attributes:
        community: for versions 1 and 2c; not more than a password in clear text.
        user: the USM user name, for version 3.
        context: the USM context name, mostly empty.
        timeout: seconds to wait for one answer.
        tries: how often one question is sent before the unit counts as silent.
    """

    version: Version
    community: Secret | None = None
    user: Annotated[str, Field(min_length=1, max_length=32)] | None = None
    auth: AuthProtocol = "none"
    auth_secret: Secret | None = None
    privacy: PrivacyProtocol = "none"
    privacy_secret: Secret | None = None
    context: Annotated[str, Field(max_length=255)] = ""
    port: Annotated[int, Field(ge=1, le=65535)] = 161
    timeout: Annotated[Duration, Field(gt=0, le=10)] = 1.0
    tries: Annotated[int, Field(ge=1, le=5)] = 2

    @model_validator(mode="after")
    def _belongs_together(self) -> Self:
        faults = self._faults_v3() if self.version == "3" else self._faults_community()
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _faults_community(self) -> list[str]:
        alien = {
            "user": self.user is not None,
            "auth": self.auth != "none",
            "auth_secret": self.auth_secret is not None,
            "privacy": self.privacy != "none",
            "privacy_secret": self.privacy_secret is not None,
            "context": bool(self.context),
        }
        faults = [
            f'"{key}" belongs to version "3"; remove it, or set version = "3"'
            for key, there in alien.items()
            if there
        ]
        if self.community is None:
            faults.append(f'version "{self.version}" needs community = {{ file = … }}')
        return faults

    def _faults_v3(self) -> list[str]:
        faults = []
        if self.user is None:
            faults.append('version "3" needs user = "…"')
        if self.community is not None:
            faults.append('"community" belongs to versions "1" and "2c"; remove it')
        faults += _faults_of_pair("auth", self.auth, self.auth_secret)
        faults += _faults_of_pair("privacy", self.privacy, self.privacy_secret)
        if self.privacy != "none" and self.auth == "none":
            faults.append(
                'privacy without auth does not exist in SNMPv3; set auth = "sha256" too, '
                "as the unit has it"
            )
        return faults


def _faults_of_pair(key: str, protocol: str, secret: SecretStr | None) -> list[str]:
    if protocol == "none":
        return [] if secret is None else [f'"{key}_secret" is there, but "{key}" is not set']
    if secret is None:
        return [f'{key} = "{protocol}" needs {key}_secret = {{ file = … }}']
    if len(secret.get_secret_value()) < SECRET_LEAST:
        return [
            f"{key}_secret is shorter than {SECRET_LEAST} characters, which SNMPv3 does not "
            "allow; give the unit and the file a longer one"
        ]
    return []
