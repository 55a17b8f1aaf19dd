"""What a loss of frames costs each feature: the same simulated minutes with and without it."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

KEY = ["node", "channel", "feature", "start_ns"]


def cost(whole: pd.DataFrame, lossy: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """From tables ``epochs`` of one session, heard in full and through each of several lossy channels.

    A row a feature: its values without loss; the share of these that became null; median, 95th
    percentile of |difference| where a value is left; and the median value, to hold these against.
    """
    pairs = pd.concat([_paired(whole, each) for each in lossy], ignore_index=True)
    rows = []
    for feature, own in pairs.groupby("feature", observed=True, sort=False):
        left = own[own["value_lossy"].notna()]
        apart = (left["value_lossy"] - left["value"]).abs()
        rows.append(
            {
                "feature": str(feature),
                "epochs": len(own),
                "gone": 1 - len(left) / len(own),
                "median": apart.median(),
                "p95": apart.quantile(0.95),
                "value": own["value"].median(),
            }
        )
    return pd.DataFrame(rows, columns=["feature", "epochs", "gone", "median", "p95", "value"])


def _paired(whole: pd.DataFrame, lossy: pd.DataFrame) -> pd.DataFrame:
    """Epochs that have a value without loss, beside what is left of it."""
    text = {"node": str, "channel": str, "feature": str}
    both = [each.astype(text)[[*KEY, "value"]] for each in (whole, lossy)]
    found = both[0].dropna(subset=["value"]).merge(both[1], on=KEY, how="left", suffixes=("", "_lossy"))
    # Without any common instant the two were cut into epochs differently, and nothing can be said.
    return found if found["value_lossy"].notna().any() else found.iloc[:0]
