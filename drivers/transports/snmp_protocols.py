"""The protocols of SNMPv3 as the library numbers them, by the names that the site's file has."""

from __future__ import annotations

from typing import Any

from pysnmp.entity import config  # type: ignore[import-untyped]

from drivers.transports.snmp_settings import AuthProtocol, PrivacyProtocol

AUTH: dict[AuthProtocol, Any] = {
    "none": config.USM_AUTH_NONE,
    "md5": config.USM_AUTH_HMAC96_MD5,
    "sha1": config.USM_AUTH_HMAC96_SHA,
    "sha224": config.USM_AUTH_HMAC128_SHA224,
    "sha256": config.USM_AUTH_HMAC192_SHA256,
    "sha384": config.USM_AUTH_HMAC256_SHA384,
    "sha512": config.USM_AUTH_HMAC384_SHA512,
}
PRIVACY: dict[PrivacyProtocol, Any] = {
    "none": config.USM_PRIV_NONE,
    "des": config.USM_PRIV_CBC56_DES,
    "aes128": config.USM_PRIV_CFB128_AES,
}
