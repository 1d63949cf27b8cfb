"""The questions about a site's devices, and the recipes that fit what answers there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from agent.commissioning import asking
from agent.commissioning.asking import AnswerError, Asking
from agent.commissioning.draft import Draft, Part
from agent.commissioning.looking import PORTS, open_ports, shown_certificate, shown_key
from agent.config.document import Route
from agent.config.recipes import Recipe, VarTable, VarType, listed, read_recipe
from policies.model import MAINS_FEED, Role

MOST = 200
"""Devices that one interview takes; more is written by hand."""

_MOST_ALIKE = 64
_NONE = "none"
_TOLD = (Role.RECORDER, Role.COMPUTER, Role.STORAGE, Role.SWITCH, Role.OTHER)
"""Roles of which it is asked how they are told to stop."""

_PORTS_OF = {"ssh": (22,), "http": (80, 443), "onvif": (80, 443), "redfish": (443,)}
"""Driver -> where it usually speaks."""

_STARTS = ("by itself", "by hand", "wake")
_TYPICAL_W = {Role.CAMERA: 6.0}


@dataclass(frozen=True, slots=True)
class _Seen:
    """What was seen at a device's address; None = nobody looked."""

    ports: tuple[int, ...] | None = None


class DeviceQuestions:
    """Asks for one device after the other."""

    def __init__(self, ask: Asking, draft: Draft, *, base: Path) -> None:
        self._ask = ask
        self._draft = draft
        self._base = base

    def hold(self) -> None:
        """Ask until there is no device more."""
        say = self._ask.talk.say
        say("")
        say("The devices on the battery, one by one. Begin with what feeds or reaches others: the")
        say("switch, then the recorder, then the cameras, then the rest.")
        for place in range(MOST):
            if not self._device(("device", place)):
                return

    def _device(self, at: Route) -> bool:
        taken = (*self._draft.unit_names, *self._draft.names_of())
        name = self._ask.ask(
            (*at, "name"),
            "The next device's name (blank: no more)?",
            asking.maybe(asking.new_name(taken)),
            default="",
        )
        if name is None:
            return False
        roles = tuple(role.value for role in Role if role is not Role.AGENT_BOX)
        role = self._ask.ask(
            (*at, "role"),
            f"What is it ({', '.join(roles)})?",
            asking.one_of(roles),
            default="other",
        )
        part = Part({"name": name, "role": role})
        self._place(at, part.table)
        if role == Role.CAMERA:
            self._needs(at, part.table)
            self._draft.devices += self._alike(at, part)
            return True
        if role == Role.OTHER and self._is_untouchable(at):
            part.table["no_touch"] = True
        elif role in _TOLD:
            self._told(at, part)
        self._draft.devices.append(part)
        return True

    def _place(self, at: Route, table: dict[str, Any]) -> None:
        """Ask where it is, what powers it, and what it draws."""
        ask = self._ask.ask
        address = ask(
            (*at, "address"),
            "Its network address (blank: none)?",
            asking.maybe(asking.address),
            default="",
        )
        if address is not None:
            table["address"] = address
        switches = self._draft.names_of(Role.SWITCH)
        feeds = (*self._draft.unit_names, *switches, MAINS_FEED)
        is_camera = table["role"] == Role.CAMERA
        table["feed"] = ask(
            (*at, "feed"),
            f"What powers it ({', '.join(feeds)})?",
            asking.one_of(feeds),
            default=switches[-1] if switches and is_camera else feeds[0],
        )
        reach = self._draft.names_of(Role.SWITCH, Role.ROUTER)
        if address is not None and reach:
            path = ask(
                (*at, "path"),
                f"Through which of these does lastwatt reach it ({', '.join(reach)}; blank: none)?",
                asking.some_of(reach),
                default=[],
            )
            if path:
                table["path"] = path
        table["watts"] = ask(
            (*at, "watts"),
            "Its watts, measured at its plug or from its plate?",
            asking.number(),
            default=_TYPICAL_W.get(Role(table["role"])),
        )

    def _needs(self, at: Route, table: dict[str, Any]) -> None:
        recorders = self._draft.names_of(Role.RECORDER, Role.COMPUTER, Role.STORAGE)
        if not recorders:
            return
        needs = self._ask.ask(
            (*at, "needs"),
            f"What records it ({', '.join(recorders)}; blank: nothing here)?",
            asking.some_of(recorders),
            default=recorders[:1] if len(recorders) == 1 else [],
        )
        if needs:
            table["needs"] = needs

    def _alike(self, at: Route, part: Part) -> list[Part]:
        """Ask how many such cameras there are, and return each."""
        count = self._ask.ask(
            (*at, "count"),
            "How many such cameras are there?",
            asking.whole(least=1, most=_MOST_ALIKE),
            default=1,
        )
        if count == 1:
            return [part]
        table = {key: value for key, value in part.table.items() if key != "address"}
        return [Part({**table, "name": f"{table['name']} {n}"}) for n in range(1, count + 1)]

    def _is_untouchable(self, at: Route) -> bool:
        return self._ask.ask(
            (*at, "no_touch"),
            "Must it never be switched off: does it alarm, release or keep anybody safe?",
            asking.yes_no,
            default=False,
        )

    # How it is told

    def _told(self, at: Route, part: Part) -> None:
        seen = self._looked(at, part.table)
        recipes = self._recipes()
        fit = [name for name, recipe in recipes.items() if _fits(recipe, seen)]
        for name in fit:
            self._ask.talk.say(f"    {name}: {recipes[name].about}")
        chosen = self._ask.ask(
            (*at, "recipe"),
            f"How is it told to stop? A recipe that fits, or {_NONE}",
            asking.one_of((_NONE, *recipes)),
            default=_NONE,
        )
        if chosen == _NONE:
            part.below.append(
                "# nothing tells it to stop yet: see `lastwatt recipe list`, or "
                "deploy/docs/no-recipe.md"
            )
            return
        recipe = recipes[chosen]
        part.said.append(f"Recipe {chosen}: {recipe.about}.")
        part.table["recipe"] = chosen
        part.table["vars"] = self._vars((*at, "vars"), part.table, recipe, seen)
        self._starts(at, part.table, recipe)

    def _looked(self, at: Route, table: Mapping[str, Any]) -> _Seen:
        """Look at its address, if a person lets us."""
        address = table.get("address")
        if address is None:
            return _Seen()
        ports = ", ".join(map(str, PORTS))
        may = self._ask.ask(
            (*at, "look"),
            f"Shall lastwatt look which of the ports {ports} answer at {address}?",
            asking.yes_no,
            default=self._ask.talk.is_person,
        )
        try:
            network = asking.few_addresses(address)
        except ValueError:
            return _Seen()  # a name; what it stands for nobody has named
        if not may:
            return _Seen()
        found = open_ports(network).get(address, ())
        self._ask.talk.say(f"    open: {', '.join(map(str, found)) or 'none of them'}")
        return _Seen(found)

    def _recipes(self) -> dict[str, Recipe]:
        found: dict[str, Recipe] = {}
        for name, path in listed(self._base).items():
            recipe, _ = read_recipe(path, self._base)
            if recipe is not None:
                found[name] = recipe
        return found

    def _vars(
        self, at: Route, table: Mapping[str, Any], recipe: Recipe, seen: _Seen
    ) -> dict[str, Any]:
        """Ask what the recipe leaves open; what has a default is taken from the answers alone."""
        given = self._ask.answers.get(at) or {}
        if not isinstance(given, Mapping):
            raise AnswerError(f"the answers: a table is due at {recipe.name}'s vars")
        out: dict[str, Any] = {}
        if "port" in recipe.vars and ("port" in given or _is_elsewhere(recipe, seen)):
            out["port"] = self._ask.ask(
                (*at, "port"), "    its port?", asking.whole(least=1, most=65535)
            )
        for name, variable in recipe.vars.items():
            is_shown = name in ("host_keys", "fingerprint")
            is_open = variable.default is None and not variable.optional
            if name in out or not (is_open or name in given or is_shown):
                continue
            if variable.type is VarType.SECRET:
                about = variable.about or name
                secret = f"{table['name']}-{name}"
                out[name] = self._ask.secret((*at, name), f"    {about}", secret)
            else:
                default = self._shown(name, table, {**_defaults(recipe), **out}, seen)
                value = self._variable((*at, name), name, variable, default)
                if value not in (None, [], ""):
                    out[name] = value
        return out

    def _shown(
        self, name: str, table: Mapping[str, Any], known: Mapping[str, Any], seen: _Seen
    ) -> Any:
        """Return what the device shows of itself, for a person to compare; None = nothing."""
        address = table.get("address")
        if address is None or seen.ports is None:
            return None
        if name == "host_keys":
            shown = shown_key(address, int(known.get("port") or 22))
            said = "its host key is"
        elif name == "fingerprint" and known.get("scheme", "https") == "https":
            shown = shown_certificate(address, int(known.get("port") or 443))
            said = "its certificate is"
        else:
            return None
        if shown:
            self._ask.talk.say(f"    {said} {shown}: compare that at its own console before Enter")
        return [shown] if shown and name == "host_keys" else shown or None

    def _variable(self, at: Route, name: str, variable: VarTable, default: Any) -> Any:
        about = variable.about or name.replace("_", " ")
        if default is None and (variable.optional or variable.default is not None):
            default = variable.default if variable.default is not None else ""
        return self._ask.ask(at, f"    {name}: {about}", _reader(variable), default=default)

    def _starts(self, at: Route, table: dict[str, Any], recipe: Recipe) -> None:
        """Ask what brings it back: nothing is worse than a recorder that stays off."""
        usual = recipe.tables.get("start")
        default = usual if usual in ("by itself", "by hand") else None
        if default is None and usual is not None:
            return  # the recipe starts it by an order
        way = self._ask.ask(
            (*at, "start"),
            f"When its power comes it starts ... ({', '.join(_STARTS)} = by a magic packet)?",
            asking.one_of(_STARTS),
            default=default or "by itself",
        )
        if way == "wake":
            table["start"] = {"driver": "wake"}
            hardware = "The hardware address of its network card?"
            table["wake"] = {"mac": self._ask.ask((*at, "mac"), hardware, asking.mac)}
        elif way != usual:
            table["start"] = way


def _defaults(recipe: Recipe) -> dict[str, Any]:
    return {name: variable.default for name, variable in recipe.vars.items()}


def _fits(recipe: Recipe, seen: _Seen) -> bool:
    """Whether a recipe may speak with what was seen; what was not looked at may be anything."""
    ports = {port for language in recipe.languages for port in _PORTS_OF.get(language, ())}
    return not seen.ports or not ports or bool(ports & set(seen.ports))


def _is_elsewhere(recipe: Recipe, seen: _Seen) -> bool:
    """Whether it was looked at, and listens where none of the recipe's languages usually does."""
    ports = {port for language in recipe.languages for port in _PORTS_OF.get(language, ())}
    return seen.ports is not None and bool(ports) and not ports & set(seen.ports)


def _reader(variable: VarTable) -> asking.Read[Any]:
    """Return what reads a variable's value, as its recipe wants it."""

    def read(value: Any) -> Any:
        if value == "" and (variable.optional or variable.default is not None):
            return None
        found: Any = value
        if isinstance(value, str):
            found = _typed(variable.type, value.strip())
        trouble = variable.trouble(found)
        if trouble:
            raise ValueError(trouble)
        return found

    return read


def _typed(kind: VarType, text: str) -> Any:
    match kind:
        case VarType.TEXTS:
            return [part.strip() for part in text.split(",") if part.strip()]
        case VarType.NUMBER:
            return asking.number(least=-1e9, most=1e9)(text)
        case VarType.WHOLE:
            return asking.whole(least=0, most=10**9)(text)
        case VarType.YES_NO:
            return asking.yes_no(text)
        case _:
            return text
