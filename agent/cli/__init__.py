"""The command line: one module a group of commands, and the contract that all of them keep.

Exit statuses: 0 yes; 1 no (faults found, a recorder lost, an invariant broken); 2 usage or
unreadable input; 3 unreachable; 4 refused; 130 ended by Ctrl-C; 141 nobody reads the output.
`--json` puts one document {"format": 1, "ok": …, …} alone on standard output; trouble always goes
to standard error. Heavy imports wait until a command needs them: `--help` is to be quick.
"""

from __future__ import annotations

import click

from agent.cli.battery import battery
from agent.cli.budget import budget
from agent.cli.commission import commission
from agent.cli.completion import completion
from agent.cli.contract import Commands
from agent.cli.demo import demo
from agent.cli.drill import drill
from agent.cli.fit import fit
from agent.cli.hands import pause, start, stop
from agent.cli.journal import journal
from agent.cli.live import run, status
from agent.cli.new import new
from agent.cli.notices import notices
from agent.cli.page import page
from agent.cli.people import people
from agent.cli.plan import plan
from agent.cli.ports import ports
from agent.cli.recipe import recipe
from agent.cli.rehearse import rehearse
from agent.cli.report import report
from agent.cli.restore import restore
from agent.cli.simulate import simulate
from agent.cli.site import check, probe
from agent.cli.size import size
from agent.cli.watch import watch

_FIRST_STEPS = (
    "lastwatt demo                 a whole outage on a virtual site",
    "lastwatt new site.toml        ask for a site, and write its file",
    "lastwatt check site.toml      is the file right, and the site",
    "lastwatt probe site.toml      does everything answer",
    "lastwatt run site.toml --state /var/lib/lastwatt --dry-run",
)


class _Main(Commands):
    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the first steps as they are to be typed, never wrapped."""
        with formatter.section("First steps"):
            for line in _FIRST_STEPS:
                formatter.write(f"  {line}\n")


@click.group(cls=_Main, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="lastwatt", prog_name="lastwatt")
def main() -> None:
    """Bring a site's recorders, PCs and switches to rest before the battery ends."""


for command in (
    demo, new, check, probe, commission,
    ports, recipe, run, status, watch, journal, pause, stop, start,
    rehearse, drill, restore, battery, report,
    page, people, notices,
    budget, fit, plan, size,
    completion,
    simulate,
):  # fmt: skip
    main.add_command(command)
