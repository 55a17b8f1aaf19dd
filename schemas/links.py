"""Tables of what only some links tell: fields beyond the usual ones, and lists of what was truly sent."""

from __future__ import annotations

from nodeday.schemas.columns import node, probability, received, stream
from nodeday.schemas.declare import Column, Table

FIELDS = Table(
    "fields",
    "a value of a field of role other in the received frames of a stream, and what was lost after them",
    (
        node,
        stream,
        Column("field", "name", "", "field, as the layout names it"),
        Column("value", "int64", "mixed", "value as sent"),
        received.but(meaning="distinct frames received with the value"),
        Column(
            "followed",
            "int64",
            "frame",
            "of these, frames of which the counter tells whether the next one came or was lost on the air",
            ge=0,
        ),
        Column("runs_after", "int64", "", "of these, frames after which a run lost on the air begins", ge=0),
        Column("lost_after", "int64", "frame", "frames in these runs", ge=0),
        *probability(
            "p",
            "runs_after / followed: chance that a loss on the air follows a frame received with the value",
        ),
    ),
    key=("node", "stream", "field", "value"),
    notes=(
        "What a lost frame itself held is not known: this is no loss by value. Losses are given to the value "
        "of the last frame received before them.",
        "Only fields of at most 32 values in a stream have rows, a choice of this project.",
    ),
)

SENT = Table(
    "sent",
    "a stream on the session's transmit list, and what was received of it",
    (
        node,
        stream,
        Column("sent", "int64", "frame", "frames on the list", ge=0),
        received.but(meaning="of these, received"),
        Column("lost", "int64", "frame", "of these, not received", ge=0),
        Column(
            "lost_leading", "int64", "frame", "of the lost, before the first frame received of a boot", ge=0
        ),
        Column(
            "lost_trailing", "int64", "frame", "of the lost, after the last frame received of a boot", ge=0
        ),
        Column(
            "lost_by_counter",
            "int64",
            "frame",
            "lost between received frames of a boot by the counter, without the list",
            ge=0,
        ),
        Column("not_listed", "int64", "frame", "distinct frames received that the list does not have", ge=0),
    ),
    key=("node", "stream"),
    notes=(
        "Without a transmit list the table is empty. List and counter agree where lost is the sum of "
        "lost_leading, lost_trailing and lost_by_counter, and nothing is not_listed.",
    ),
)
