"""What must always hold of the units' own outputs: invariants 4, 6, 7, 10 and 11, by the truth."""

from __future__ import annotations

from collections.abc import Callable

from agent.simulation.keeper import Disk
from agent.simulation.scenario import Scenario
from agent.simulation.truth import SiteTruth
from agent.virtual.control_group import SHUTDOWN, STARTUP, Quirk
from drivers.base import Act
from policies.events import BoxLeft, OutputBegan
from policies.graph import graph_of
from policies.output_state import OutputTask
from policies.unexplained import noise_w

_BRINGS_BACK_LATE_S = 10.0


class OutputChecks:
    """Looks on at outputs; `Checks` calls it."""

    def __init__(
        self,
        scenario: Scenario,
        truth: SiteTruth,
        *,
        disk: Callable[[], Disk],
        say: Callable[[int, str], None],
        is_deceiving: Callable[[str], bool],
    ) -> None:
        """Prepare.

        Args:
            scenario: what was drawn.
            truth: the site.
            disk: the journal.
            say: takes an invariant's number, and how it was broken.
            is_deceiving: whether a device can look as if it were at rest while it is not.
        """
        self._scenario = scenario
        self._site = scenario.site
        self._graph = graph_of(scenario.site)
        self._truth = truth
        self._disk = disk
        self._say = say
        self._is_deceiving = is_deceiving
        self._armed: set[str] = set()
        self._dropped: set[str] = set()

    def on_written(self, unit: str, name: str, value: int) -> None:
        """A unit takes a SET; it has not acted yet."""
        plant, settings = self._truth.plants[unit], self._site.units[unit].output
        if settings is None:
            self._say(11, f"{unit}: {name} was written, and its output must not be switched")
        if value == -1:
            return
        self._check_intent(unit, name)
        if name != SHUTDOWN:
            return
        self._armed.add(unit)
        startup_at = plant.control.startup_at
        if startup_at is None or startup_at < self._truth.now + value + _BRINGS_BACK_LATE_S:
            self._say(6, f"{unit}: a shutdown was armed with no startup beyond it")
        self._check_load(unit, "was armed")

    def on_drop(self, unit: str) -> None:
        """An output goes off as it was told to; what it feeds has its power still."""
        self._dropped.add(unit)
        if unit not in self._armed:
            self._say(11, f"the output of {unit} drops, and nobody armed it")
        if Quirk.UNCANCELLABLE not in self._quirks(unit):
            self._check_load(unit, "drops")

    def on_start(self, name: str) -> None:
        """A device takes in a start."""
        for unit in self._graph.units[name]:
            at = self._truth.plants[unit].control.shutdown_at
            if at is not None and Quirk.UNCANCELLABLE not in self._quirks(unit):
                left_s = at - self._truth.now
                self._say(6, f"{name} was started {left_s:.0f} s before the output of {unit} drops")

    def on_box_told(self, name: str, act: Act) -> None:
        """The agent's own box takes in that it is to write out, or to power itself off."""
        if act is not Act.STOP:
            return
        stop_s = self._scenario.builds[name].stop_s
        if not any(isinstance(entry.held, BoxLeft) for entry in self._disk().entries):
            self._say(10, f"{name} powers itself off, and that was never journalled")
        for unit in self._graph.units[name]:
            control = self._truth.plants[unit].control
            if control.shutdown_at is None:
                self._say(10, f"{name} powers itself off, and the output of {unit} stays on")
            elif control.startup_at is None:
                self._say(6, f"{name} powers itself off, and {unit} has no startup armed")
            elif control.shutdown_at < self._truth.now + stop_s and not self._is_empty(unit):
                self._say(10, f"{name} powers itself off too late: {unit} drops before it is off")

    def at_end(self) -> None:
        """Mains has been back for long: no output is off, and none counts down any more."""
        for name, plant in self._truth.plants.items():
            quirks = self._quirks(name)
            if name in self._dropped and plant.mains and not plant.output:
                if Quirk.FORGETS not in quirks:
                    self._say(6, f"the output of {name} is off at the end")
            elif plant.control.is_counting and Quirk.UNCANCELLABLE not in quirks:
                self._say(6, f"the output of {name} counts down at the end")

    def stays_off_by_itself(self) -> bool:
        """Whether a unit keeps its output off after its battery ended: nobody armed that."""
        return any(
            plant.mains and not plant.output and Quirk.NO_RESTART in self._quirks(name)
            for name, plant in self._truth.plants.items()
            if name not in self._dropped
        )

    def _check_load(self, unit: str, what: str) -> None:
        """See that whatever loses its power may: by the truth, not by what the agent knows."""
        plant = self._truth.plants[unit]
        rating_w = self._site.units[unit].rating_w
        if plant.unlisted_w > noise_w(0.0, 0.01 * rating_w) + 0.05 * rating_w:
            self._say(11, f"the output of {unit} {what} over {plant.unlisted_w:.0f} W unlisted")
        for name, machine in self._truth.machines.items():
            if unit not in self._graph.units[name]:
                continue
            if machine.device.no_touch:
                self._say(11, f"the output of {unit} {what} over {name}, which is no-touch")
            if machine.is_writing and machine.has_power and not self._is_deceiving(name):
                self._say(11, f"the output of {unit} {what} while {name} is writing")

    def _check_intent(self, unit: str, name: str) -> None:
        """Nothing arms an output before that is on the disk, whatever the disk's trouble."""
        now = self._truth.now
        for entry in reversed(self._disk().entries):
            held = entry.held
            if isinstance(held, OutputBegan) and held.unit == unit:
                is_late = held.task is OutputTask.ARM and entry.durable_at > now
                if is_late and name in (SHUTDOWN, STARTUP):
                    self._say(10, f"{unit}: {name} was written before that was on the disk")
                return
        self._say(10, f"{unit}: {name} was written, and that was never journalled")

    def _is_empty(self, unit: str) -> bool:
        plant = self._truth.plants[unit]
        return plant.battery.ends_at < self._truth.now + 120.0

    def _quirks(self, unit: str) -> frozenset[Quirk]:
        return self._scenario.controls.get(unit, frozenset())
