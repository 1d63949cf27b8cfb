"""Notices by HTTP: each is a POST of one JSON object (`Content-Type: application/json`).

    format    1
    id        the same in every try of one notice; a receiver that has it already ignores it
    site      the site's name
    severity  "info", "warning" or "error"
    topic     what it is about, a word of `policies.telling.Topic`
    about     the unit, device or part that it is about
    text      a sentence; in a dry run it begins with "dry run: "
    time      when it was raised, RFC 3339, UTC
    late_s    seconds from then to this try
    dry_run   true where nothing is sent to any device

Where the file gives a secret the request is signed: the header `Lastwatt-Signature` holds
"t=<unix seconds>,sha256=<hex>", the HMAC-SHA-256 (RFC 2104) of "<t>." and the exact body, under the
secret's UTF-8. A receiver compares in constant time and refuses old times.

Any 2xx is taken as received. An answer that judges what was sent (400, 411, 413 to 415, 422, 431)
is final for that notice. All else is tried again: 408, 425, 429, 5xx, silence and TLS trouble soon,
and whatever says that the receiver stands otherwise than the file has it (401, 403, 404, 410, a
redirect) seldom, for a key that is being changed and a server that is being set up anew are mended
within days, and mains may fail meanwhile.
"""

from __future__ import annotations

import json
from datetime import UTC

from agent.config.notice_tables import WebhookTable
from agent.notices.channel import Answer, Sending, Verdict
from agent.notices.letter import Letter, plain
from agent.notices.posting import WebAddress
from agent.notices.words import Sender
from drivers.base import Clock

FORMAT = 1
_ASKS_AGAIN = frozenset({408, 425, 429})  # RFC 9110 section 15.5.9, RFC 8470, RFC 6585
_JUDGES_CONTENT = frozenset({400, 411, 413, 414, 415, 422, 431})  # RFC 9110 15.5, RFC 6585
_HINTS = {
    401: "see whether its key has changed",
    403: "see whether its key has changed",
    404: "see whether its address has changed",
    410: "see whether its address has changed",
}


class WebhookChannel:
    """One webhook; a notice at a time."""

    way = "webhook"

    def __init__(self, table: WebhookTable, sender: Sender, *, clock: Clock) -> None:
        """Prepare.

        Raises:
            ValueError: its url is no web address.
        """
        self._sender = sender
        self._address = WebAddress(table.url, table.secret, clock=clock, trust=table.tls.trust())

    @property
    def host(self) -> str:
        """Where it is; the rest of its address may be a secret."""
        return self._address.host

    async def send(self, sending: Sending) -> Answer:
        """Post the one notice."""
        (letter,) = sending.letters
        body = self._body(letter, sending)
        status, said = await self._address.send("POST", body)
        said = plain(said, most=300)
        if 200 <= status < 300:
            return Answer(Verdict.TAKEN, said)
        if status in _JUDGES_CONTENT:
            return Answer(Verdict.NEVER, said)
        if 0 < status < 500 and status not in _ASKS_AGAIN:
            hint = _HINTS.get(status)
            return Answer(Verdict.REFUSED, f"{said}; {hint}" if hint else said)
        return Answer(Verdict.LATER, said, is_heard=status != 0)

    def _body(self, letter: Letter, sending: Sending) -> bytes:
        utc = letter.utc.astimezone(UTC).isoformat(timespec="milliseconds")
        fields = {
            "format": FORMAT,
            "id": letter.id,
            "site": self._sender.site,
            "severity": letter.severity,
            "topic": letter.topic.value,
            "about": letter.about,
            "text": f"dry run: {letter.text}" if self._sender.dry_run else letter.text,
            "time": utc.replace("+00:00", "Z"),
            "late_s": round(sending.late_s(letter), 1),
            "dry_run": self._sender.dry_run,
        }
        return json.dumps(fields).encode()
