"""The first record of a journal: everything that decided the run."""

import sys

import choreo
from choreo.plan.model import AxisPlan, Plan, StepPlan
from choreo.run.context import Run
from choreo.run.live import Live
from choreo.wire.dialect import Dialect


def _watchdog(dialect: Dialect) -> dict[str, object]:
    """What a drive does by itself when the host is lost."""
    watchdog = dialect.watchdog
    return {} if watchdog is None else {"watchdog": {"within_ns": watchdog.within_ns, "then": watchdog.then}}


def record_run(run: Run, mode: str, seed: int | None, live: Live | None = None) -> None:
    """The first line of the journal: everything that decided this run."""
    plan = run.plan
    run.session.record(
        "run",
        journal=1,
        choreo=choreo.__version__,
        mode=mode,
        title=plan.title,
        machine=plan.machine,
        seed=seed,
        pace=plan.pace,
        poll_ns=plan.poll_ns,
        bit_rate=plan.bit_rate,
        simulated=plan.simulated,
        hashes=dict(plan.hashes),
        parameters=dict(plan.parameters),
        axes=[_axis(plan, axis) for axis in plan.axes],
        pairs=[
            {"name": pair.name, "axes": list(pair.axes), "trip": pair.trip, "structural": pair.structural}
            for pair in plan.pairs
        ],
        limits={axis.name: _limits(axis) for axis in plan.axes},
        steps=[_step(step) for step in (*plan.steps, *plan.closing)],
        **({} if plan.retreat is None else {"retreat": plan.retreat}),
        python=".".join(map(str, sys.version_info[:3])) if mode == "live" else None,
        **({} if live is None else {"bus": live.bus, "started": live.started}),
    )


def _axis(plan: Plan, axis: AxisPlan) -> dict[str, object]:
    return {
        "name": axis.name,
        "node": axis.node,
        "unit": axis.unit,
        "counts_per_unit": axis.counts_per_unit,
        "pair": axis.pair,
        "lag_ns": axis.lag_ns,
        "noise_counts": axis.noise_counts,
        **_watchdog(plan.dialects[axis.dialect]),
    }


def _limits(axis: AxisPlan) -> dict[str, object]:
    return {
        "travel": list(axis.limits.travel),
        "speed": axis.limits.speed,
        "acceleration": axis.limits.acceleration,
        "jerk": axis.limits.jerk,
        "quick_stop": axis.limits.quick_stop,
        "tracking": axis.limits.tracking,
    }


def _step(step: StepPlan) -> dict[str, object]:
    return {
        "id": step.id,
        "path": step.path,
        "verb": step.verb,
        "label": step.label,
        "predicted_ns": step.predicted_ns,
        "timeout_ns": step.timeout_ns,
        "place": str(step.place),
    }
