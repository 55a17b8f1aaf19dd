"""Coverage and frame loss read the same wherever they stand: on the pages, in the audit, in a run's account.

Both are computed here once more with pandas, from the frames, the gaps and the layout's YAML file alone.
"""

from __future__ import annotations

import html
import re
from decimal import ROUND_HALF_EVEN, Decimal
from pathlib import Path

import pandas as pd
import pytest
import yaml

from nodeday.cli.main import main

HUB = "hub"
Shares = dict[tuple[str, str, str], tuple[str, str]]


def written(share: float) -> str:
    """A share as the pages promise to write it, by another way of rounding."""
    if share in (0, 1):
        return f"{share * 100:.0f} %"
    rounded = (Decimal(share) * 100).quantize(Decimal("0.1"), ROUND_HALF_EVEN)
    return {Decimal(100): "> 99.9 %", Decimal(0): "< 0.1 %"}.get(rounded, f"{rounded} %")


def sessions(folder: Path) -> list[str]:
    return sorted(path.stem for path in (folder / "results/report").glob("*.html") if path.stem != "index")


@pytest.fixture(scope="module")
def shares(finished_study: Path) -> Shares:
    """Coverage and frame loss of each session, node and stream, as text."""
    kinds = yaml.safe_load((finished_study / "config/layouts/beltframe.yaml").read_text())["kinds"]
    seconds = {kind["stream"]: kind["samples"] / kind["rate_hz"] for kind in kinds if kind.get("channels")}
    hours = pd.read_parquet(finished_study / "results/sessions").groupby("session", observed=True)["hours"]
    found: Shares = {}
    for session in sessions(finished_study):
        frames, gaps = (
            pd.read_parquet(finished_study / f"results/{name}/session={session}")
            for name in ("frames", "gaps")
        )
        frames = frames[frames["status"].isin(["good", "late", "inconsistent"])]
        for (node, stream), own in frames.groupby(["node", "stream"], observed=True):
            if node != HUB:
                lost = gaps[(gaps["node"] == node) & (gaps["stream"] == stream)]["frames"].sum()
                covered = len(own) * seconds[stream] / (3600 * hours.max()[session])
                found[session, node, stream] = written(covered), written(lost / (lost + len(own)))
    return found


def page(folder: Path, name: str) -> str:
    text = (folder / "results/report" / f"{name}.html").read_text(encoding="utf-8")
    return html.unescape(text).replace("\u202f", " ")


def cells(row: str) -> list[str]:
    return [
        re.sub(r"<[^>]+>", "", cell).strip() for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row, re.S)
    ]


def column(text: str, section: str, first: tuple[str, ...], heads: tuple[str, ...]) -> dict[str, list[str]]:
    """Cells under ``heads`` of the first table of a section, by the cells under ``first``."""
    table = text.split(f'id="{section}"')[1].split("<table>")[1].split("</table>")[0]
    names, *rows = [cells(row) for row in re.findall(r"<tr>(.*?)</tr>", table, re.S)]
    return {
        " ".join(row[names.index(each)] for each in first): [row[names.index(each)] for each in heads]
        for row in rows
    }


def test_there_is_something_to_tell_apart(shares: Shares) -> None:
    assert len({session for session, *_ in shares}) == 2
    assert all(written(1) != covered for covered, _ in shares.values())


def test_tables_of_the_pages(finished_study: Path, shares: Shares) -> None:
    heads = ("coverage", "frame loss")
    for session in sessions(finished_study):
        text = page(finished_study, session)
        own = {(node, stream): list(each) for (name, node, stream), each in shares.items() if name == session}
        by_stream = {f"{node} {stream}": each for (node, stream), each in own.items()}
        assert column(text, "f-loss", ("node", "stream"), heads) == by_stream
        assert column(text, "f-nodes", ("node",), heads) == {node: each for (node, _), each in own.items()}


def test_figures_and_the_verdict(finished_study: Path, shares: Shares) -> None:
    for (session, node, stream), (covered, lost) in shares.items():
        text = page(finished_study, session)
        assert f"{node} {stream}: coverage {covered}; " in text.replace("</desc>", "; ")
        assert f"{node} {stream}: coverage {covered}, frame loss {lost}" in text
        assert f">coverage {covered}, frame loss {lost}</text>" in text
        named = re.search(r"The lowest is that of (\w+), (.*?);", text)
        assert named is not None
        if named[1] == node:
            assert named[2] == covered
        assert f'aria-label="{node}: coverage {covered}, ' in page(finished_study, "index")


def test_the_audit(finished_study: Path, shares: Shares, capsys: pytest.CaptureFixture[str]) -> None:
    for session in sessions(finished_study):
        main(["audit", session, "--study", str(finished_study)])
        text = capsys.readouterr().out
        for (name, node, _), (covered, lost) in shares.items():
            if name == session:
                assert f"\n{node}: coverage {covered}, frame loss {lost}" in text
