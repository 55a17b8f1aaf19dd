"""Commands under their headings, in the order of the work."""

from __future__ import annotations

from nodeday.cli.commands import (
    audit,
    bench,
    check,
    completion,
    demo,
    dictionary,
    explain,
    export,
    init,
    layout,
    plan,
    release,
    replay,
    run,
    simulate,
    stage,
    status,
    trace,
    verify,
    view,
)
from nodeday.cli.parser import Command

HEADINGS: dict[str, tuple[Command, ...]] = {
    "Before the field": (demo, init, layout, plan, bench, simulate, replay),
    "The day after": (check, run, status),
    "Looking": (audit, view, trace),
    "The study": (export, verify, release),
    "Help": (explain, dictionary, completion),
}
UNLISTED: tuple[Command, ...] = (stage,)
"""Commands that rules of the workflow call; the first help page leaves them out."""
