"""Stage `simulate`: the scenario's plan of a session in, a capture and its truth out."""

from __future__ import annotations

from pathlib import Path

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.errors import SettingsError
from nodeday.core.threads import one_thread
from nodeday.stages.simulate.scenario import load_scenario
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.truth import Truth

CAPTURES = "captures"


@one_thread()
def run(root: Path, session: str) -> None:
    """Simulate a session of the study at ``root``; raise SettingsError for a plan that does not
    fit, and rather than write over a capture that was not simulated.
    """
    study = Study(root)
    study.session(session)
    plan = load_scenario(study.scenario).session(session)
    refuse_raw(root, session)
    data, truth = simulate_session(plan, study.layout_of(session), study.nodes_of(session))
    write(root, session, data, truth)


def paths(root: Path, session: str) -> tuple[Path, Path]:
    """Where a session's simulated capture and its truth lie."""
    folder = root / CAPTURES
    return folder / f"{session}.bin", folder / f"{session}.truth.npz"


def refuse_raw(root: Path, session: str) -> None:
    """Raise SettingsError where a capture has no truth beside it: then it may be a real one."""
    capture, truth = paths(root, session)
    if capture.exists() and not truth.exists():
        raise SettingsError(
            "exists and was not simulated, since no truth file lies beside it",
            str(capture),
            "a free place",
            "A raw capture is never written over: move it, or rename the session.",
        )


def write(root: Path, session: str, data: bytes, truth: Truth) -> None:
    """Write a capture and its truth, each whole or not at all, the truth first."""
    refuse_raw(root, session)
    capture, beside = paths(root, session)
    truth.save(beside)
    with atomic.replacing(capture) as partial:
        partial.write_bytes(data)
