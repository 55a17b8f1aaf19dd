"""Stage `simulate`: from the plan of a session to a capture and its truth."""

from __future__ import annotations

from pathlib import Path

from nodeday.config.study import Study
from nodeday.core import atomic
from nodeday.core.errors import SettingsError
from nodeday.stages.simulate.scenario import load_scenario
from nodeday.stages.simulate.session import simulate_session
from nodeday.stages.simulate.truth import Truth

CAPTURES = "captures"


def run(root: Path, session: str) -> None:
    """Simulate a session of the study at ``root`` and write its capture and truth.

    Raises SettingsError for a plan that does not fit, and if the capture exists and was not
    simulated.
    """
    study = Study(root)
    study.session(session)
    plan = load_scenario(study.scenario).session(session)
    refuse_raw(root, session)
    data, truth = simulate_session(plan, study.layout_of(session), study.nodes_of(session))
    write(root, session, data, truth)


def paths(root: Path, session: str) -> tuple[Path, Path]:
    """Return the paths of a session's simulated capture and of its truth."""
    folder = root / CAPTURES
    return folder / f"{session}.bin", folder / f"{session}.truth.npz"


def refuse_raw(root: Path, session: str) -> None:
    """Raise SettingsError if a capture has no truth file: then it may be a real one."""
    capture, truth = paths(root, session)
    if capture.exists() and not truth.exists():
        raise SettingsError(
            "exists and was not simulated, since it has no truth file",
            str(capture),
            "a path that is free",
            "A raw capture is never written over: move it, or rename the session.",
        )


def write(root: Path, session: str, data: bytes, truth: Truth) -> None:
    """Write a session's truth and then its capture, each completely or not at all; raise SettingsError."""
    refuse_raw(root, session)
    capture, truth_path = paths(root, session)
    truth.save(truth_path)
    with atomic.whole(capture) as partial:
        partial.write_bytes(data)
