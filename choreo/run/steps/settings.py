"""`configure`: settings that differ are written and read back; nothing else is touched (P23)."""

from collections.abc import Mapping

from choreo.drive.conversation import Conversation
from choreo.drive.verbs import Drive
from choreo.plan.model import Configure
from choreo.run.axes import Axis
from choreo.run.context import Run
from choreo.wire.words import Setting


async def configure(run: Run, action: Configure) -> None:
    """Write the settings of each axis in their order; the axes side by side."""
    await run.session.run(*((axis, _write(run.axes[axis].drive, values)) for axis, values in action.values))
    for axis, values in action.values:
        for setting, raw in values.items():
            run.session.record("setting", axis=run.axes[axis].name, setting=str(setting), raw=raw)
            note_ramp(run, run.axes[axis], setting, raw)


def note_ramp(run: Run, axis: Axis, setting: Setting, raw: int) -> None:
    """Stopping counts with the ramps that the drive really has."""
    dialect = run.plan.dialects[axis.plan.dialect]
    value = dialect.settings[setting].from_raw(raw) / abs(axis.plan.counts_per_unit)
    if setting is dialect.stop_ramp:
        axis.stop_ramp = value
    if setting is dialect.quick_stop_ramp:
        axis.quick_stop_ramp = value
    if setting is Setting.JERK:
        axis.jerk = value


def _write(drive: Drive, values: Mapping[Setting, int]) -> Conversation[None]:
    for setting, raw in values.items():
        yield from drive.write_setting(setting, raw)
