"""The questions from which a site's file is made: the site, its backup units, the agent's box.

Devices are asked about in `device_questions`. What is asked over the network is said before.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from agent.commissioning import asking
from agent.commissioning.asking import Asking
from agent.commissioning.device_questions import DeviceQuestions
from agent.commissioning.draft import Draft, Part
from agent.commissioning.looking import Offer, offer_of, open_ports
from agent.config.document import Route
from agent.errors import BackupUnitError
from drivers.settings import SecretSources
from drivers.transports.snmp_settings import SECRET_LEAST, SnmpSettings
from policies.model import MAINS_FEED, Chemistry, Role

_MOST = 64
"""Units, or devices, that one interview takes; more is written by hand."""

_VERSIONS = ("3", "2c", "1")
_AUTH = ("sha256", "sha512", "sha384", "sha224", "sha1", "md5")
_PRIVACY = ("aes128", "des", "none")


class Interview:
    """Asks for a site, and drafts its file."""

    def __init__(self, ask: Asking, *, base: Path, env: dict[str, str], time_zone: str) -> None:
        """Prepare.

        Args:
            ask: puts the questions.
            base: folder of the site's file, which secrets' places are counted from.
            env: the environment.
            time_zone: this box's, for the default.
        """
        self._ask = ask
        self._base = base
        self._env = env
        self._time_zone = time_zone
        self.draft = Draft()

    def hold(self) -> Draft:
        """Ask everything, and return the draft.

        Raises:
            AnswerError: a file for scripts does not suffice.
        """
        ask, say = self._ask.ask, self._ask.talk.say
        name = ask(("site", "name"), "What is the site called?", asking.name)
        zone = ask(
            ("site", "time_zone"),
            "Its time zone?",
            asking.time_zone,
            default=self._time_zone,
        )
        self.draft.site = {"name": name, "time_zone": zone}
        say("")
        say("The backup unit. lastwatt asks it over the network (SNMP), read-only.")
        while len(self.draft.units) < _MOST and self._unit(len(self.draft.units)):
            pass
        self._box()
        self._look_around()
        DeviceQuestions(self._ask, self.draft, base=self._base).hold()
        return self.draft

    # The unit

    def _unit(self, place: int) -> bool:
        """Ask for one unit; False where there is none more."""
        at: Route = ("unit", place)
        if place and self._ask.answers.get((*at, "name")) is None:
            if not self._ask.talk.is_person:
                return False
            typed = self._ask.talk.ask("Another backup unit (yes or no)?", "no")
            if not typed.strip().lower().startswith("y"):
                return False
        read = asking.new_name(self.draft.unit_names)
        default = "cabinet" if place == 0 else None
        name = self._ask.ask((*at, "name"), "A name for it?", read, default=default)
        table: dict[str, Any] = {"name": name}
        part = Part(table)
        offer = self._reached(at, name, table, part)
        self._rating(at, table, offer)
        self._battery(at, table, part, offer)
        self._output(at, table, part, offer)
        self.draft.units.append(part)
        return True

    def _reached(self, at: Route, name: str, table: dict[str, Any], part: Part) -> Offer | None:
        """Ask how the unit is spoken with, until it answers or a person goes on without."""
        ask, talk = self._ask, self._ask.talk
        while True:
            table["address"] = ask.ask((*at, "address"), "Its network address?", asking.address)
            table["snmp"] = self._snmp((*at, "snmp"), name)
            talk.say(f"  asking {table['address']} what it is ...")
            try:
                offer = offer_of(name, table["address"], self._settings(table["snmp"]))
            except (BackupUnitError, ValueError) as error:
                talk.say(f"  {error}")
                advice = getattr(error, "advice", "")
                if advice:
                    talk.say(f"  {advice}")
                part.said.append(f"It did not answer while this was written: {error}"[:300])
                part.said[:] = part.said[-1:]
                if not talk.is_person:
                    return None
                words = ("again", "change", "go on")
                way = talk.ask(f"Try {', '.join(words)} without it?", "again")
                if way.startswith("g"):
                    return None
                if way.startswith("c"):
                    for key in ("address", "snmp"):
                        ask.answers.drop((*at, key))
                continue
            part.said = list(_said_of(offer))
            for line in part.said:
                talk.say(f"  {line}")
            return offer

    def _snmp(self, at: Route, name: str) -> dict[str, Any]:
        ask = self._ask.ask
        version = ask(
            (*at, "version"), "SNMP version (3, 2c or 1)?", asking.one_of(_VERSIONS), default="3"
        )
        table: dict[str, Any] = {"version": version}
        if version == "3":
            table["user"] = ask((*at, "user"), "The SNMP user's name?", asking.text)
            table["auth"] = ask(
                (*at, "auth"),
                f"Its authentication ({', '.join(_AUTH)})?",
                asking.one_of(_AUTH),
                default="sha256",
            )
            table["auth_secret"] = self._ask.secret(
                (*at, "auth_secret"),
                f"Its authentication secret, {SECRET_LEAST} characters or more",
                f"{name}-auth",
            )
            table["privacy"] = ask(
                (*at, "privacy"),
                f"Its privacy ({', '.join(_PRIVACY)})?",
                asking.one_of(_PRIVACY),
                default="aes128",
            )
            if table["privacy"] != "none":
                table["privacy_secret"] = self._ask.secret(
                    (*at, "privacy_secret"), "Its privacy secret", f"{name}-privacy"
                )
        else:
            table["community"] = self._ask.secret(
                (*at, "community"), "Its community", f"{name}-community"
            )
        port = ask((*at, "port"), "Its UDP port?", asking.whole(least=1, most=65535), default=161)
        return table if port == 161 else {**table, "port": port}

    def _settings(self, table: dict[str, Any]) -> SnmpSettings:
        """Return the settings, the secrets read.

        Raises:
            ValueError: they do not fit together; the text has no value of theirs.
        """
        sources = SecretSources(self._base, self._env)
        return SnmpSettings.model_validate(table, context={"secrets": sources})

    def _rating(self, at: Route, table: dict[str, Any], offer: Offer | None) -> None:
        va = None if offer is None else offer.identity.rating_va
        watts = None if offer is None else offer.identity.rating_w
        ask, read = self._ask.ask, asking.number(most=1e7)
        table["rating"] = {
            "va": ask((*at, "va"), "What it can carry, in VA (its plate)?", read, default=va),
            "watts": ask((*at, "watts"), "And in watts?", read, default=watts),
        }

    def _battery(self, at: Route, table: dict[str, Any], part: Part, offer: Offer | None) -> None:
        """Ask what the battery holds; where nobody knows, the unit's own estimate has to do."""
        ask, number = self._ask.ask, asking.number()
        say = self._ask.talk.say
        say("  CAUTION: do not open the unit to find out; its manual or the vendor's label has it.")
        volts = ask(
            (*at, "volts"),
            "Battery: volts of the whole string (blank: not known)?",
            asking.maybe(number),
            default="",
        )
        battery: dict[str, Any] = {}
        if volts is not None:
            battery["volts"] = volts
            battery["amp_hours"] = ask((*at, "amp_hours"), "And its amp-hours?", number)
        else:
            battery["runtimes"] = [self._runtime(at, part, offer)]
        words = tuple(word.value for word in Chemistry)
        battery["chemistry"] = ask(
            (*at, "chemistry"),
            f"Its kind ({', '.join(words)})?",
            asking.one_of(words),
            default=Chemistry.LEAD_ACID.value,
        )
        fitted = ask(
            (*at, "fitted"),
            "The day that it was fitted, like 2026-03-01 (blank: not known)?",
            asking.maybe(asking.day),
            default="",
        )
        if fitted is not None:
            battery["fitted"] = fitted
        table["battery"] = battery

    def _runtime(self, at: Route, part: Part, offer: Offer | None) -> dict[str, Any]:
        reading = None if offer is None else offer.reading
        watts, lasts = None, None
        if reading is not None and reading.output_w and reading.runtime_s:
            watts, lasts = round(reading.output_w), f"{round(reading.runtime_s / 60)}m"
            part.said.append(
                "The battery's figure is the unit's own estimate: measure a full run on a dummy "
                "load, and see `lastwatt fit`."
            )
        ask = self._ask.ask
        return {
            "watts": ask((*at, "run_watts"), "A load in W ...", asking.number(), default=watts),
            "lasts": ask(
                (*at, "run_lasts"), "... it lasts how long at?", asking.span, default=lasts
            ),
        }

    def _output(self, at: Route, table: dict[str, Any], part: Part, offer: Offer | None) -> None:
        """Ask whether the unit's output may be switched, where that can be done safely."""
        sealed = table["snmp"]["version"] == "3" and table["snmp"]["privacy"] != "none"
        if offer is None or not offer.can_be_switched or not sealed:
            part.below.append(
                "# output = { }   # its output could drop once all is at rest, if the unit can"
            )
            return
        self._ask.talk.say(
            "  Hosts that were shut down start again only when their power comes anew. The unit "
            "can drop its output once everything on it is at rest, and return with mains; never "
            "over a no-touch load."
        )
        may = self._ask.ask(
            (*at, "output"),
            "May lastwatt have it do that?",
            asking.yes_no,
            default=False,
        )
        if may:
            table["output"] = {}
        else:
            part.below.append("# output = { }   # lets its output drop once all on it is at rest")

    # The box

    def _box(self) -> None:
        ask, at = self._ask.ask, ("box",)
        self._ask.talk.say("")
        self._ask.talk.say("The small box that lastwatt runs on; it hangs on the same battery.")
        taken = self.draft.unit_names
        name = ask((*at, "name"), "A name for it?", asking.new_name(taken), default="warden")
        feeds = (*taken, MAINS_FEED)
        table: dict[str, Any] = {"name": name, "role": Role.AGENT_BOX.value}
        table["feed"] = ask(
            (*at, "feed"),
            f"What powers it ({', '.join(feeds)})?",
            asking.one_of(feeds),
            default=taken[0],
        )
        table["watts"] = ask((*at, "watts"), "Its watts?", asking.number(), default=5.0)
        starts = ask(
            (*at, "starts"),
            "Does it start by itself when its power comes (its firmware says)?",
            asking.yes_no,
            default=True,
        )
        table["start"] = "by itself" if starts else "by hand"
        self.draft.box = name
        self.draft.devices.append(Part(table))

    def _look_around(self) -> None:
        """Look at the few addresses that a person names; at nothing where none is."""
        say = self._ask.talk.say
        named = self._ask.ask(
            ("scan",),
            "Shall lastwatt look what answers at some addresses? Type one, or a small prefix like "
            "192.0.2.16/28 (blank: look at nothing)",
            asking.maybe(asking.few_addresses),
            default="",
        )
        if named is None:
            return
        found = open_ports(named)
        for host, ports in found.items():
            say(f"  {host}: {', '.join(map(str, ports))} open")
        if not found:
            say(f"  nothing answers at {named}")


def _said_of(offer: Offer) -> Iterator[str]:
    """Give what a unit offers, for a person and for the file."""
    identity, reading, control = offer.identity, offer.reading, offer.control
    called = " ".join(part for part in (identity.manufacturer, identity.model) if part)
    yield f"It calls itself {called or 'nothing'}."
    if identity.missing:
        yield f"It lacks {', '.join(identity.missing)}."
    if reading.output_w is not None:
        yield f"Its load was {reading.output_w:.0f} W."
    if identity.low_battery_s is not None:
        yield f"It calls its battery low at {identity.low_battery_s / 60:.0f} min."
    can = "can" if offer.can_be_switched else "cannot"
    restart = {1: "on", 2: "off"}.get(control.auto_restart or 0, "not told")
    yield f"Its output {can} be switched over SNMP; its automatic restart is {restart}."
