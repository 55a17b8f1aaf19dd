"""Stage `simulate`: from the plan of a session to a capture and its truth."""

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
    """Simulate a session of the study at ``root``.

    Raises SettingsError for a plan that does not fit, and for a capture that was not simulated, which
    it would overwrite.
    """
    study = Study(root)
    study.session(session)
    plan = load_scenario(study.scenario).session(session)
    refuse_raw(root, session)
    data, truth = simulate_session(plan, study.layout_of(session), study.nodes_of(session))
    write(root, session, data, truth)


def paths(root: Path, session: str) -> tuple[Path, Path]:
    """Return the paths of a session's simulated capture and its truth."""
    folder = root / CAPTURES
    return folder / f"{session}.bin", folder / f"{session}.truth.npz"


def refuse_raw(root: Path, session: str) -> None:
    """Raise SettingsError where a capture has no truth file: then it may be a real one."""
    capture, truth = paths(root, session)
    if capture.exists() and not truth.exists():
        raise SettingsError(
            "exists and was not simulated, since it has no truth file",
            str(capture),
            "a free name",
            "A raw capture is never overwritten: move it, or rename the session.",
        )


def write(root: Path, session: str, data: bytes, truth: Truth) -> None:
    """Write a capture and its truth, each complete or not at all, the truth first."""
    refuse_raw(root, session)
    capture, truth_file = paths(root, session)
    truth.save(truth_file)
    with atomic.replacing(capture) as partial:
        partial.write_bytes(data)
