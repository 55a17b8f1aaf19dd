"""Beats as a WFDB annotation file (the MIT format, an open standard of PhysioNet, written by wfdb).

``<session>_<node>.beats`` counts samples of the ECG's rate from the whole second in which the session
begins, as the EDF+ file does. Beats are marked N, since none is classified; a beat on computed samples is
marked Q. The note of a beat holds the reason why its interval does not count. Notes mark both ends of a
stretch of missing samples.
"""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pandas as pd

from nodeday.config.study import HUB, Study
from nodeday.core.arrays import runs
from nodeday.layouts import Kind
from nodeday.products.export.edf import library
from nodeday.products.export.raster import SECOND
from nodeday.storage import samples, tables

NOTE = '"'
"""Code of a comment in the format."""


def write(study: Study, session: str, target: Path) -> list[Path]:
    """Write a file for each node that has beats into ``target``; return the files.

    Raises SettingsError where wfdb is not installed, ContractError where a table is absent.
    """
    wfdb = library("wfdb")
    beats = tables.read(tables.path(study.results, "beats", session), "beats")
    if beats.empty:
        return []
    nodes = tables.read(tables.path(study.results, "sessions"), "sessions", ["session", "start_ns"])
    start = int(nodes.loc[nodes["session"] == session, "start_ns"].iloc[0]) // SECOND * SECOND
    target.mkdir(parents=True, exist_ok=True)
    done = []
    for node in study.nodes_of(session).values():
        of_node = beats[beats["node"] == node.node]
        if node.node == HUB or of_node.empty:
            continue
        kind = next(
            kind
            for kind in study.layout_of(session, node.node).streams
            for channel in kind.channels
            if channel.unit == "mV"
        )
        rate = kind.rate_hz or 1.0
        rows = pd.concat([_beats(of_node), _holes(study, session, node.node, kind)])
        rows["sample"] = np.rint((rows["utc_ns"] - start) * rate / SECOND).astype(np.int64)
        rows = rows[rows["sample"] >= 0].sort_values(["sample", "symbol"], kind="stable")
        name = f"{session}_{node.node}".replace("-", "_")  # the format's record names have no hyphens
        with warnings.catch_warnings():  # of pandas, about how wfdb calls it
            warnings.simplefilter("ignore")
            wfdb.wrann(
                name,
                "beats",
                rows["sample"].to_numpy(),
                rows["symbol"].tolist(),
                aux_note=rows["note"].tolist(),
                fs=rate,
                write_dir=str(target),
            )
        done.append(target / f"{name}.beats")
    return done


def _beats(beats: pd.DataFrame) -> pd.DataFrame:
    status = beats["rr_status"].astype(str)
    return pd.DataFrame(
        {
            "utc_ns": beats["utc_ns"],
            "symbol": np.where(beats["origin"] == "measured", "N", "Q"),
            "note": status.where(status != "normal", ""),
        }
    )


def _holes(study: Study, session: str, node: str, kind: Kind) -> pd.DataFrame:
    """A note at the first and at the last instant of each stretch of missing samples."""
    rows = samples.read(study.results, session, node, kind, ["utc_ns", "origin"])
    rows = rows.sort_values("utc_ns", kind="stable")
    starts, ends = runs((rows["origin"] == "missing").to_numpy())
    utc = rows["utc_ns"].to_numpy(np.int64)
    first, last = utc[starts], utc[ends - 1]
    return pd.DataFrame(
        {
            "utc_ns": np.concatenate([first, last]),
            "symbol": NOTE,
            "note": ["missing from here"] * len(first) + ["missing to here"] * len(last),
        }
    )
