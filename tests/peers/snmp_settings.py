"""Settings that fit the users of tests.peers.snmpd."""

from typing import Any

from pydantic import SecretStr

from drivers.transports.snmp_settings import SnmpSettings, Version
from tests.peers.snmpd import COMMUNITY, WATCH, Snmpd, User


def as_user(peer: Snmpd | int, user: User = WATCH, **others: Any) -> SnmpSettings:
    """Return version 3 settings for *user* at an snmpd, or at a port."""
    secrets: dict[str, Any] = {}
    if user.auth != "none":
        secrets["auth_secret"] = SecretStr(user.auth_secret)
    if user.privacy != "none":
        secrets["privacy_secret"] = SecretStr(user.privacy_secret)
    return SnmpSettings(
        version="3",
        user=user.name,
        auth=user.auth,
        privacy=user.privacy,
        port=peer if isinstance(peer, int) else peer.port,
        **secrets,
        **others,
    )


def as_community(
    peer: Snmpd | int, version: Version = "2c", community: str = COMMUNITY, **others: Any
) -> SnmpSettings:
    """Return version 1 or 2c settings for an snmpd, or for a port."""
    return SnmpSettings(
        version=version,
        community=SecretStr(community),
        port=peer if isinstance(peer, int) else peer.port,
        **others,
    )
