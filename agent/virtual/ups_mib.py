"""The objects of RFC 1628 as a virtual unit numbers them, by the names the RFC gives them."""

from __future__ import annotations

from drivers.transports.snmp_responder import Oid

UPS: Oid = (1, 3, 6, 1, 2, 1, 33)
TRAPS: Oid = (*UPS, 2)
ALARM_ROW: Oid = (*UPS, 1, 6, 2, 1)
WELL_KNOWN_ALARMS: Oid = (*UPS, 1, 6, 3)
NO_TESTS_INITIATED: Oid = (*UPS, 1, 7, 7, 1)

TRAP_ON_BATTERY: Oid = (*TRAPS, 1)
TRAP_ALARM_ENTRY_ADDED: Oid = (*TRAPS, 3)
TRAP_ALARM_ENTRY_REMOVED: Oid = (*TRAPS, 4)

_INSTANCES: dict[str, Oid] = {
    "upsIdentManufacturer": (1, 1, 1, 0),
    "upsIdentModel": (1, 1, 2, 0),
    "upsIdentUPSSoftwareVersion": (1, 1, 3, 0),
    "upsIdentAgentSoftwareVersion": (1, 1, 4, 0),
    "upsIdentName": (1, 1, 5, 0),
    "upsIdentAttachedDevices": (1, 1, 6, 0),
    "upsBatteryStatus": (1, 2, 1, 0),
    "upsSecondsOnBattery": (1, 2, 2, 0),
    "upsEstimatedMinutesRemaining": (1, 2, 3, 0),
    "upsEstimatedChargeRemaining": (1, 2, 4, 0),
    "upsBatteryVoltage": (1, 2, 5, 0),
    "upsBatteryCurrent": (1, 2, 6, 0),
    "upsBatteryTemperature": (1, 2, 7, 0),
    "upsInputLineBads": (1, 3, 1, 0),
    "upsInputNumLines": (1, 3, 2, 0),
    "upsInputFrequency.1": (1, 3, 3, 1, 2, 1),
    "upsInputVoltage.1": (1, 3, 3, 1, 3, 1),
    "upsOutputSource": (1, 4, 1, 0),
    "upsOutputFrequency": (1, 4, 2, 0),
    "upsOutputNumLines": (1, 4, 3, 0),
    "upsOutputVoltage.1": (1, 4, 4, 1, 2, 1),
    "upsOutputCurrent.1": (1, 4, 4, 1, 3, 1),
    "upsOutputPower.1": (1, 4, 4, 1, 4, 1),
    "upsOutputPercentLoad.1": (1, 4, 4, 1, 5, 1),
    "upsAlarmsPresent": (1, 6, 1, 0),
    "upsTestId": (1, 7, 1, 0),
    "upsTestSpinLock": (1, 7, 2, 0),
    "upsTestResultsSummary": (1, 7, 3, 0),
    "upsTestResultsDetail": (1, 7, 4, 0),
    "upsTestStartTime": (1, 7, 5, 0),
    "upsTestElapsedTime": (1, 7, 6, 0),
    "upsShutdownType": (1, 8, 1, 0),
    "upsShutdownAfterDelay": (1, 8, 2, 0),
    "upsStartupAfterDelay": (1, 8, 3, 0),
    "upsRebootWithDuration": (1, 8, 4, 0),
    "upsAutoRestart": (1, 8, 5, 0),
    "upsConfigInputVoltage": (1, 9, 1, 0),
    "upsConfigInputFreq": (1, 9, 2, 0),
    "upsConfigOutputVoltage": (1, 9, 3, 0),
    "upsConfigOutputFreq": (1, 9, 4, 0),
    "upsConfigOutputVA": (1, 9, 5, 0),
    "upsConfigOutputPower": (1, 9, 6, 0),
    "upsConfigLowBattTime": (1, 9, 7, 0),
    "upsConfigAudibleStatus": (1, 9, 8, 0),
    "upsConfigLowVoltageTransferPoint": (1, 9, 9, 0),
    "upsConfigHighVoltageTransferPoint": (1, 9, 10, 0),
}


def oid(name: str) -> Oid:
    """Return the full OID of an instance by its RFC 1628 name; columns carry their line, ".1"."""
    return (*UPS, *_INSTANCES[name])


def alarm(number: int) -> Oid:
    """Return the OID of a well-known alarm by its number in RFC 1628 section 4.6."""
    return (*WELL_KNOWN_ALARMS, number)
