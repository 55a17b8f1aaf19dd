"""Figure of what counts: hours worn, hours received, and a bar after each rule of the study."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from nodeday.stages.report.facts import ALL, StudyFacts
from nodeday.stages.report.svg import RIGHT, WIDTH, Drawing, Figure, boxes
from nodeday.stages.report.words import count, limit, number, percent

LEFT, END, STEP, BAR = 190, 292, 30, 16
WORDS = {
    "listed": "all that the sheets list",
    "finished": "ran to its end",
    "min_hours": "{:g} h or longer",
    "min_coverage": "coverage of {} or more",
    "min_valid_epochs": "a value in {} of epochs",
    "max_clock_uncertainty": "time certain to ±{:g} ms",
    "calibrated": "calibrated",
    "bench_passed": "passed its bench",
}


@dataclass(frozen=True)
class FlowStep:
    """A step of the flow: its rule in words, hours left after it and taken by it, counts that are left."""

    words: str
    left: float
    taken: float
    why: str
    counts: str


def flow(facts: StudyFacts) -> Figure | None:
    """Draw the steps of the flow; None where no session with samples finished."""
    worn = facts.worn_h
    if not worn or facts.flow.empty:
        return None
    steps = steps_of(facts.flow, worn)
    scale = (WIDTH - RIGHT - END - LEFT) / worn
    about = "; ".join(f"{step.words}: {number(step.left)} h left" for step in steps)
    drawing = Drawing("flow", "Hours of nodes from worn to counted", about, STEP * len(steps) + 4)
    for index, step in enumerate(steps):
        top, x = 4 + STEP * index, LEFT + step.left * scale
        drawing.text(0, top + 13, step.words, "tick strong")
        drawing.path(boxes([(LEFT, top, step.left * scale, BAR)]), "got" if index else "rest bar")
        if step.taken > 0:
            style = "why edge radio" if step.why == "loss" else "taken edge"
            drawing.path(boxes([(x, top, max(step.taken * scale, 1.0), BAR)]), style)
        if index:
            before = LEFT + steps[index - 1].left * scale
            drawing.line(before, top - STEP + BAR, before, top + BAR, "phase")
        drawing.text(WIDTH - RIGHT - END + 12, top + 13, f"{number(step.left)} h", "tick strong")
        drawing.text(WIDTH - RIGHT - END + 70, top + 13, step.counts, "tick faint")
    return Figure(
        "flow",
        "What counts",
        "Hours of nodes: open, what sessions last; filled, what is left; solid accent, lost; hatched, taken "
        "by the rule from what those before left. Rules apply in this order. Nothing taken is deleted.",
        drawing.markup(),
        facts.flow,
    )


def steps_of(table: pd.DataFrame, worn_h: float) -> list[FlowStep]:
    """Return table ``flow`` as steps, after what was worn and what was received of it."""
    first, after = table.iloc[0], table.iloc[1:]
    received = float(first["hours_left"])
    steps = [
        FlowStep("all nodes, all sessions", worn_h, 0.0, "", _counts(first.to_dict())),
        FlowStep(
            "received", received, max(worn_h - received, 0.0), "loss", f"{percent(received / worn_h)} of it"
        ),
    ]
    for row in after.to_dict("records"):
        steps.append(
            FlowStep(
                rule_words(row),
                float(row["hours_left"]),
                float(row["hours_excluded"]),
                str(row["rule"]),
                _counts(row),
            )
        )
    return steps


def rule_words(row: Mapping[Any, Any]) -> str:
    """Return a rule in a few words: what it asks for, its threshold, and for which node or feature."""
    rule, threshold = str(row["rule"]), float(row["threshold"])
    share = rule in ("min_coverage", "min_valid_epochs")
    words = WORDS[rule].format(limit(threshold) if share else threshold)
    scope = [str(row[key]) for key in ("node", "feature") if str(row[key]) != ALL]
    return f"{words}{': ' + ', '.join(scope) if scope else ''}"


def _counts(row: Mapping[Any, Any]) -> str:
    levels = (("participants", "participant"), ("sessions", "session"), ("nodes", "node"))
    return ", ".join(
        f"{count(int(row[f'{level}_left']))} {noun}{'' if row[f'{level}_left'] == 1 else 's'}"
        for level, noun in levels
    )


def table(facts: StudyFacts) -> list[dict[str, Any]]:
    """Return the rows of the table below the figure: each rule alone and in its order."""
    return [
        {"words": rule_words(row)} | {str(k): v for k, v in row.items()}
        for row in facts.flow.to_dict("records")
    ]
