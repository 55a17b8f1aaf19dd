"""`verify`: a study, its results alone, a copy for sharing; and manifests that somebody damaged or wrote."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from nodeday.cli.main import main
from nodeday.core import errors

NONE = "is no manifest of nodeday"


def verify(folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["verify", "--study", str(folder)])
    out, err = capsys.readouterr()
    return code, out + err


def linked(source: Path, target: Path) -> Path:
    """A copy by hard links: whoever changes a file there must unlink it first."""
    return Path(shutil.copytree(source, target, copy_function=os.link))


def replaced(path: Path, content: bytes) -> None:
    path.unlink()
    path.write_bytes(content)


def test_results_alone_are_verified(
    finished_study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    alone = linked(finished_study / "results", tmp_path / "from-a-colleague")
    code, said = verify(alone, capsys)
    assert code == errors.GOOD, said
    assert "inputs and settings are not beside these results" in said
    assert "all as in the manifest" in said
    (alone / "epochs" / "session=S01-clean" / "epochs.parquet").unlink()
    code, said = verify(alone, capsys)
    assert code == errors.CONTRACT
    assert "epochs/session=S01-clean/epochs.parquet is absent\n" in said


def test_a_copy_for_sharing_has_a_manifest_of_its_own(
    finished_study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    copy, offsets = tmp_path / "copy", tmp_path / "offsets.tsv"
    shared = ["release", str(copy), "--offsets", str(offsets), "--study", str(finished_study)]
    assert main(shared) == errors.GOOD
    assert verify(copy, capsys)[0] == errors.GOOD
    (copy / "more.txt").write_text("added\n")
    methods = copy / "methods.md"
    replaced(methods, methods.read_bytes().replace(b"e", b"a", 1))
    code, said = verify(copy, capsys)
    assert code == errors.CONTRACT
    assert "methods.md has other content\n" in said
    assert "more.txt is not in the manifest\n" in said


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text[: len(text) // 2], NONE),
        (lambda _: "[]", NONE),
        (lambda _: '{"inputs": 1}', NONE),
        (
            lambda text: json.dumps({**json.loads(text), "results": [{"path": "x"}]}),
            NONE,
        ),
        (lambda text: json.dumps({**json.loads(text), "libraries": None}), NONE),
        (lambda text: text.replace('"results/', '"../results/', 1), "lies outside of the study"),
        (lambda text: text.replace('"results/', '"/etc/results/', 1), "lies outside of the study"),
    ],
)
def test_a_manifest_that_was_damaged_or_forged_is_refused(
    change: object, said: str, finished_study: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    manifest = tmp_path / "manifest.json"
    manifest.write_text(change((finished_study / "results" / "manifest.json").read_text()))  # type: ignore[operator]
    code, found = verify(tmp_path, capsys)
    assert code == errors.CONTRACT
    assert said in found
    assert found.count("\n") == 1
