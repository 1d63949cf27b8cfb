"""Devices with an HTTP interface: requests and expected replies as the site's file spells them.

An act is one conversation: log in where the device wants a session, send what the file says, judge
each reply by status and body, log out whatever came of it. A device that is busy (429, 503) is
asked again within the deadline, after as long as it wishes.
"""

from __future__ import annotations

from collections.abc import Mapping

from pydantic import BaseModel

from drivers.base import Act, Clock, Driver, DriverKind, Fitting, Outcome, Repeat, Stage, Verdict
from drivers.errors import DriverError
from drivers.http_conversation import Conversation
from drivers.http_judge import Finding
from drivers.http_probe import Remark, remarks
from drivers.http_render import Renderer, Session
from drivers.http_settings import HttpAccess, Look, Order, Quiesce, Verify
from drivers.transports.http import DryHttp, LiveHttp
from drivers.transports.http_messages import Credentials, Endpoint, HttpTransport
from drivers.transports.pinning import for_people

_STAGE_OF = {Act.QUIESCE: Stage.QUIESCE, Act.STOP: Stage.STOP, Act.START: Stage.START}
_CONFIRMS = {
    Act.QUIESCE: Act.CONFIRM_QUIESCED,
    Act.STOP: Act.CONFIRM_GONE,
    Act.START: Act.CONFIRM_RUNNING,
}


class HttpDriver:
    """One device spoken with over HTTP; see the module."""

    def __init__(
        self,
        access: HttpAccess,
        stages: Mapping[Stage, BaseModel],
        transport: HttpTransport,
        clock: Clock,
    ) -> None:
        self._access = access
        self._transport = transport
        self._clock = clock
        self._orders = {
            act: order
            for act, stage in _STAGE_OF.items()
            if isinstance(order := stages.get(stage), Order)
        }
        quiesce = stages.get(Stage.QUIESCE)
        undoing = quiesce.undoing() if isinstance(quiesce, Quiesce) else None
        self._looks = _looks(self._orders, stages.get(Stage.VERIFY))
        if undoing is not None:
            self._orders[Act.RESTORE] = undoing
        login = access.login
        self._renderer = Renderer(
            user=access.user,
            password=_password(access),
            headers=access.headers,
            token_header=login.header_of_token() if login else "",
            token_prefix=login.prefix_of_token() if login else "",
        )

    @property
    def acts(self) -> Mapping[Act, Repeat]:
        """What this device's tables allow."""
        return {
            Act.PROBE: Repeat.SAFE,
            **{act: Repeat(order.repeat) for act, order in self._orders.items()},
            **dict.fromkeys(self._looks, Repeat.SAFE),
        }

    async def perform(self, act: Act, *, deadline_at: float) -> Outcome:
        """Do one act and return its outcome by *deadline_at*."""
        began_at = self._clock.monotonic()
        talk = self._transport.talk()
        conversation = Conversation(
            self._access, talk, self._renderer, self._clock, deadline_at=deadline_at
        )
        try:
            finding = await self._do(act, conversation)
        finally:
            await talk.close()
        text = finding.text
        if conversation.left_open and act is not Act.STOP:  # after a stop, that is what to expect
            text = f"{text}; it did not log us out: {conversation.left_open}"
        return Outcome(
            act,
            finding.verdict,
            evidence=conversation.scrub(text),
            advice=finding.advice,
            sent=talk.sent,
            took_s=max(0.0, self._clock.monotonic() - began_at),
        )

    async def close(self) -> None:
        """Let go of every connection."""
        await self._transport.close()

    async def _do(self, act: Act, conversation: Conversation) -> Finding:
        if act is Act.PROBE:
            return await self._probe(conversation)
        if order := self._orders.get(act):
            return await conversation.within(lambda: conversation.order(order))
        if act in self._looks:
            look, every_s = self._looks[act]
            return await conversation.within(lambda: conversation.watch(look, every_s))
        text = f"nothing was sent: the file gives no http request for {act.value}"
        return Finding(Verdict.REFUSED, text, "add it to the tables of this device")

    async def _probe(self, conversation: Conversation) -> Finding:
        """Log in, ask something harmless, log out; tell what a person should know or mend."""
        running = self._looks.get(Act.CONFIRM_RUNNING)
        look = self._access.probe or (running[0] if running else Look(path="/"))
        finding = await conversation.within(lambda: conversation.look(look))
        found = [Remark(finding.text, finding.advice), *self._unsayable()]
        verdict = Verdict.REFUSED if len(found) > 1 else finding.verdict
        reply = conversation.reply
        if reply is not None and not reply.is_assumed:
            found += remarks(self._access, reply, conversation.sent, self._clock.utc())
        elif self._access.scheme == "https" and finding.verdict is Verdict.REFUSED:
            presented = await self._transport.presented(timeout_s=conversation.left_s())
            found += [Remark(f"it shows {for_people(presented)}")] if presented else []
        facts, advice = zip(*found, strict=True)
        return Finding(verdict, "; ".join(filter(None, facts)), "; ".join(filter(None, advice)))

    def _unsayable(self) -> list[Remark]:
        """Return what the tables ask for that cannot be sent, found without sending it."""
        login = self._access.login
        session = Session(token="" if login and login.token else None)
        calls = [call for order in self._orders.values() for call in order.requests()]
        found: list[Remark] = []
        for call in (*calls, *(look for look, _ in self._looks.values())):
            try:
                self._renderer.request(call, session)
            except DriverError as error:
                found.append(Remark(f"{call.method} {call.path} cannot be sent: {error}"))
        return found


def _looks(orders: Mapping[Act, Order], verify: BaseModel | None) -> dict[Act, tuple[Look, float]]:
    """Return what confirms what, and how often it is asked; `verify` beats an order's own."""
    looks = {
        _CONFIRMS[act]: (order.confirm, order.every)
        for act, order in orders.items()
        if order.confirm is not None
    }
    if isinstance(verify, Verify):
        if verify.running is not None:
            looks[Act.CONFIRM_RUNNING] = (verify.running, verify.every)
        if verify.gone is not None:
            looks[Act.CONFIRM_GONE] = (verify.gone, verify.every)
    return looks


def build(fitting: Fitting) -> Driver:
    """Make the driver of one device, TLS included: that costs 30 ms, which no order waits for."""
    access = fitting.access
    assert isinstance(access, HttpAccess)
    endpoint = Endpoint(access.scheme, fitting.address, access.tcp_port())
    scheme = "none" if access.auth == "session" else access.auth
    credentials = Credentials(scheme, access.user, _password(access))
    transport: HttpTransport
    if fitting.dry_run:
        transport = DryHttp(endpoint, credentials)
    else:
        transport = LiveHttp(endpoint, access.tls.trust(), credentials)
    return HttpDriver(access, fitting.stages, transport, fitting.clock)


def _password(access: HttpAccess) -> str:
    return access.password.get_secret_value() if access.password else ""


def _port(access: BaseModel) -> int | None:
    assert isinstance(access, HttpAccess)
    return access.tcp_port()


KIND = DriverKind(
    name="http",
    access=HttpAccess,
    stages={
        Stage.QUIESCE: Quiesce,
        Stage.STOP: Order,
        Stage.START: Order,
        Stage.VERIFY: Verify,
    },
    build=build,
    port=_port,
    restores=lambda table: isinstance(table, Quiesce) and bool(table.restore),
)
"""What the registry knows of it."""
