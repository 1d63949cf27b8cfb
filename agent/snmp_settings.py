"""The `snmp` table of a backup unit: the same one that drivers speaking SNMP use."""

from drivers.transports.snmp_settings import SnmpSettings

__all__ = ["SnmpSettings"]
