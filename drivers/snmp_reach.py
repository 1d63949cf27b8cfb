"""Whether an SNMP account sees more than its work needs: who else has accounts there.

usmUserTable (RFC 3414) and vacmSecurityToGroupTable (RFC 3415) are the tables that their own
standards ask to be kept from whoever need not see them: an account that reads them has no view of
its own, and sees all.
"""

from __future__ import annotations

from drivers.errors import DriverError
from drivers.transports.snmp import SnmpPeer
from drivers.transports.snmp_values import Oid

USER_NAMES: Oid = (1, 3, 6, 1, 6, 3, 15, 1, 2, 2, 1, 3)
GROUP_NAMES: Oid = (1, 3, 6, 1, 6, 3, 16, 1, 2, 1, 3)
"""Columns usmUserSecurityName and vacmGroupName."""

TOO_MUCH = (
    "its account sees the whole of the device, other accounts too: give it a view of just the "
    "objects that the file names (VACM, RFC 3415)"
)
_WITHIN_S = 3.0


def accounts_line(where: str) -> str:
    """Return the line of `sees_accounts`."""
    return f"{where}: GETNEXT usmUserSecurityName, vacmGroupName (whether it sees too much)"


async def sees_accounts(peer: SnmpPeer, *, within_s: float) -> bool:
    """Return whether the account may read who else has one; silence and refusals count as no."""
    try:
        for column in (USER_NAMES, GROUP_NAMES):
            if await peer.column(column, most=1, within_s=min(_WITHIN_S, 0.4 * within_s)):
                return True
    except DriverError:
        return False
    return False
