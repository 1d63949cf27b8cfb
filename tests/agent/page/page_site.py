"""An agent that serves its page, on a real unit, for tests of the page."""

from __future__ import annotations

import asyncio
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import httpx2

from agent.config import LoadedSite, PageSettings, load
from agent.page.tls import CERTIFICATE
from agent.wiring import Agent
from tests.agent.commands import unit, write_site
from tests.agent.site_files import TODAY
from tests.peers.snmpd import Snmpd

LOCAL = PageSettings(("127.0.0.1", 0), open_reading=True)
"""Any free port on loopback, open to look at."""

CLOSED = replace(LOCAL, open_reading=False)
"""The same, as it is off loopback: whoever looks has signed in."""

SEALED = replace(CLOSED, has_tls=True)
"""The same over TLS, with a certificate that the agent makes."""


@dataclass(frozen=True, slots=True)
class Served:
    """An agent whose page listens.

    Attributes:
        web: a client of the page that follows no redirects; over TLS it trusts this page alone.
        folder: the state directory.
    """

    agent: Agent
    web: httpx2.AsyncClient
    folder: Path


def page_site(
    folder: Path, snmpd: Snmpd, *tables: str, page: PageSettings = LOCAL, more: str = ""
) -> LoadedSite:
    """Return a site with a page, on a unit that really answers; *more* goes to its table."""
    path = write_site(folder, unit(snmpd.port, more=f'flicker = "1s"\n{more}'), *tables)
    loaded, faults = load(path, today=TODAY)
    assert loaded is not None, faults
    return replace(loaded, page=page)


def client(loaded: LoadedSite, agent: Agent, folder: Path) -> httpx2.AsyncClient:
    """Return one more client of the page, without cookies."""
    assert agent.page is not None and loaded.page is not None
    host, port = agent.page.server.address
    if not loaded.page.has_tls:
        return httpx2.AsyncClient(base_url=f"http://{host}:{port}")
    trust = ssl.create_default_context(cafile=folder / CERTIFICATE)
    return httpx2.AsyncClient(base_url=f"https://{host}:{port}", verify=trust)


@asynccontextmanager
async def serving(loaded: LoadedSite, folder: Path, **more: Any) -> AsyncIterator[Served]:
    """Run an agent until its page listens, and end it after."""
    ending = asyncio.Event()
    agent = Agent(loaded, folder, **{"dry_run": False, **more})
    assert agent.page is not None
    task = asyncio.create_task(agent.run(ending))
    try:
        async with asyncio.timeout(30):
            await agent.page.server.wait()
        async with client(loaded, agent, folder) as web:
            yield Served(agent, web, folder)
    finally:
        ending.set()
        async with asyncio.timeout(60):
            await task
