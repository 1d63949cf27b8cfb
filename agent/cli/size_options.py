"""What `lastwatt size` is told: figures, batteries and changes, as an installer types them.

Each function here is a callback of an option: text in, value out, or a sentence with what to write.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from policies.sizing import Pack
    from policies.what_if import Addition

_BATTERY = re.compile(
    r"(?:(?P<name>[^=]*)=)?(?P<volts>[0-9.]+)[xX×](?P<ah>[0-9.]+)(?:[xX×](?P<strings>[0-9]{1,9}))?"
)
_ADDITION = re.compile(
    r"(?P<role>[a-z ]+):(?P<count>[0-9]{1,9}):(?P<watts>[0-9.]+)"
    r"(?::(?P<night>[0-9.]+))?(?:@(?P<feed>.+))?"
)
_MOST_ADDED = 10_000
_MOST_STRINGS = 100

FigureCallback = Callable[[click.Context, click.Parameter, str | None], float | None]


def figure(least: float, most: float, like: str, *, above: bool = False) -> FigureCallback:
    """Return the callback of an option that takes a number.

    Args:
        least: the least that is taken.
        most: the most that is taken.
        like: an example of what to write.
        above: the least itself is not taken.
    """

    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> float | None:
        if text is None:
            return None
        number = _number(text)
        is_low = math.isnan(number) or number < least or (above and number == least)
        if is_low or number > most:
            bound = "more than" if above else "at least"
            raise click.BadParameter(
                f'"{text}" will not do: {bound} {least:g}, at most {most:g}; write it like {like}',
                ctx,
                param,
            )
        return number

    return read


def batteries(
    ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]
) -> tuple[Pack, ...]:
    """Return the batteries that `[NAME=]VOLTSxAH[xSTRINGS]` stand for."""
    return tuple(_pack(ctx, param, text) for text in texts)


def one_battery(ctx: click.Context, param: click.Parameter, text: str | None) -> Pack | None:
    """Return the battery that `VOLTSxAH[xSTRINGS]` stands for."""
    return None if text is None else _pack(ctx, param, text)


def additions(
    ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]
) -> tuple[Addition, ...]:
    """Return what `ROLE:COUNT:WATTS[:NIGHT_WATTS][@FEED]` stand for."""
    return tuple(_addition(ctx, param, text) for text in texts)


def _pack(ctx: click.Context, param: click.Parameter, text: str) -> Pack:
    from policies.sizing import pack_of

    match = _BATTERY.fullmatch(text.strip())
    if match is None:
        raise click.BadParameter(
            f'"{text}" is no battery; write volts x ampere-hours x strings, like 36x7 or 36x7x2',
            ctx,
            param,
        )
    volts, amp_hours = _number(match["volts"]), _number(match["ah"])
    strings = int(match["strings"] or 1)
    if not (0.0 < volts <= 1000.0 and 0.0 < amp_hours <= 1e4 and 1 <= strings <= _MOST_STRINGS):
        raise click.BadParameter(
            f'"{text}" holds nothing, or more than a battery can; write what stands on its '
            "blocks, like 36x7 for 36 V and 7 Ah",
            ctx,
            param,
        )
    return pack_of(volts, amp_hours, strings, name=(match["name"] or "").strip())


def _addition(ctx: click.Context, param: click.Parameter, text: str) -> Addition:
    from agent.config.faults import did_you_mean
    from policies.model import Role
    from policies.what_if import Addition

    match = _ADDITION.fullmatch(text.strip())
    if match is None:
        raise click.BadParameter(
            f'"{text}" is no addition; write role:count:watts, like camera:10:5.5, or '
            "camera:10:5.5:8 with its watts after dark",
            ctx,
            param,
        )
    roles = {role.value: role for role in Role}
    if match["role"] not in roles:
        fix = did_you_mean(match["role"], roles)
        raise click.BadParameter(f'"{match["role"]}" is no role; {fix}', ctx, param)
    count, watts = int(match["count"]), _number(match["watts"])
    night = watts if match["night"] is None else _number(match["night"])
    if not (1 <= count <= _MOST_ADDED and 0.0 <= watts <= 1e6 and 0.0 <= night <= 1e6):
        raise click.BadParameter(
            f'"{text}" adds nothing, or more than can be; write it like camera:10:5.5', ctx, param
        )
    return Addition(roles[match["role"]], count, watts, night, match["feed"])


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
