"""A real unit, shared by the tests of a module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.peers.snmpd import Snmpd


@pytest.fixture(scope="module")
def snmpd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Snmpd]:
    with Snmpd(tmp_path_factory.mktemp("unit")) as found:
        yield found
