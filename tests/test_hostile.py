"""Values made to do harm: none is run, none leaves its place, none asks for more memory than is stated."""

from __future__ import annotations

import ast
import csv
import io
import json
import re
import subprocess
import sys
import tracemalloc
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
import yaml
from conftest import ROOT, simulated
from hypothesis import given
from hypothesis import strategies as st

from nodeday.cli.main import main
from nodeday.config.models import StudyFile
from nodeday.config.study import Study
from nodeday.core import csv_io, errors, yaml_io
from nodeday.core.errors import SettingsError
from nodeday.core.yaml_io import LONGEST, load
from nodeday.layouts import load_layout
from nodeday.layouts.parts import MAX_FRAME_BYTES, MAX_RATE_HZ

Maker = Callable[..., Path]
SOURCES = sorted([*(ROOT / "workflow" / "nodeday").rglob("*.py"), *(ROOT / "schemas").glob("*.py")])
HOSTILE = [
    "../../etc/passwd",
    "..",
    "/etc/passwd",
    "S1/../../x",
    "S1;touch pwned",
    "$(touch pwned)",
    "`touch pwned`",
    "S1|touch pwned",
    "S1&&touch pwned",
    "-rf",
    "--help",
    "S1\ntouch pwned",
    "S1\x00",
    "S1 S2",
    "'; touch pwned; '",
    '"><script>alert(1)</script>',
    "<img src=x onerror=alert(1)>",
    "=cmd|'/c calc'!A1",
    "@SUM(1)",
    "{wildcards}",
    "S\u0131",
    "*",
    "%s%n",
]


# --- names ------------------------------------------------------------------------------------


@pytest.mark.parametrize("sheet", ["sessions", "participants", "nodes", "events"])
def test_no_sheet_takes_a_hostile_code(sheet: str, study_folder: Maker) -> None:
    """Codes become folders, file names, shell words and text on pages, so each is a letter, then letters,
    digits or hyphens, or it is refused before any of that."""
    folder = study_folder()
    path = folder / "config" / f"{sheet}.tsv"
    header, _, rest = path.read_text().partition("\n")
    columns = header.split("\t")
    row = (rest.splitlines() or ["S1\trest\t2026-07-01T08:00\t"])[0].split("\t")
    taken = []
    for place, column in enumerate(columns):
        if column in ("session", "participant", "layout", "node", "placement", "phase"):
            for value in HOSTILE:
                cells = [value if at == place else cell for at, cell in enumerate(row)]
                out = io.StringIO()
                csv.writer(out, delimiter="\t", lineterminator="\n").writerows([columns, cells])
                path.write_text(out.getvalue())
                try:
                    Study(folder)
                except SettingsError:
                    continue
                taken.append((column, value))
    # "*" stands for every session in nodes.tsv, where it is no name of anything.
    assert [each for each in taken if each != ("session", "*")] == []


@pytest.mark.parametrize("value", HOSTILE)
def test_no_command_takes_a_hostile_session(
    value: str, study_folder: Maker, capsys: pytest.CaptureFixture[str]
) -> None:
    """Those that begin with a hyphen stop at the parser, with the same exit code."""
    folder = study_folder()
    for command in (["audit"], ["stage", "frames"], ["stage", "study"]):
        try:
            code = main([*command, "--study", str(folder), "--", value])
        except SystemExit as end:
            code = int(end.code or 0)
        assert code == errors.USAGE, (command, value)
    assert "Traceback" not in capsys.readouterr().err
    assert not list(folder.rglob("pwned"))
    assert {path.name for path in folder.iterdir()} == {"config", "captures"}


def test_names_of_captures_never_reach_a_shell(tmp_path: Path) -> None:
    """A capture is the one file whose name the user chooses freely. The whole chain on a hostile one,
    beside a title, a unit and a note that pages and exports have to carry."""
    folder = simulated(tmp_path / "study", SHORT)
    (folder / "config" / "scenario.yaml").unlink()
    name = "captures/$(touch pwned) `touch pwned`& $HOME ~ %s '\".bin"
    (folder / "captures" / "S01-clean.bin").rename(folder / name)
    _edit(folder / "config" / "sessions.tsv", "captures/S01-clean.bin", '"' + name.replace('"', '""') + '"')
    _edit(folder / "config" / "study.yaml", "title: Harvest crew on hot days", f"title: {json.dumps(TITLE)}")
    layout = folder / "config" / "layouts" / "beltframe.yaml"
    _edit(layout, "{name: skin, unit: degC,", "{name: skin, unit: " + json.dumps(UNIT) + ",")
    _edit(folder / "config" / "study.yaml", "  temp:\n    method: linear\n    max_ms: 30000\n", "")
    # The workflow makes the first table by its shell command; the others are made by the same stages, here.
    first = "results/frames/session=S01-clean"
    done = subprocess.run(
        [sys.executable, "-m", "snakemake", "--cores", "1", first],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    for stage in ("loss", "clock", "repair", "features", "study", "report", "index"):
        assert main(["stage", stage, "S01-clean", "--study", str(folder)]) == errors.GOOD
    assert main(["export", "package", "csv", "--study", str(folder)]) == errors.GOOD
    assert not list(folder.rglob("pwned"))
    for page in (folder / "results" / "report").glob("*.html"):
        assert _elements(page.read_text()) == [], page.name
    assert _elements(f"<p>{TITLE}</p>{UNIT}<b onclick=x>") != []  # the search finds what was put in
    assert TITLE in _words((folder / "results" / "report" / "index.html").read_text())
    tables = [path for path in folder.rglob("*.csv")]
    assert len(tables) > 20
    for path in tables:
        assert [cell for cell in _cells(path) if _formula(cell)] == [], path


SHORT = """
seed: 7
sessions:
  S01-clean:
    start: 2026-07-14T05:00:00Z
    phases: [{phase: rest, minutes: 1, bpm: 64}]
    channel: {loss: 0.05, burst: 4}
"""
TITLE = "=HYPERLINK(\"x\") <script>alert('title')</script><img src=x onerror=alert(1)> & more"
UNIT = '=1+1"><svg onload=alert(2)>'


def _edit(path: Path, old: str, new: str) -> None:
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))


@pytest.mark.parametrize(
    "name", ["captures/{session}.bin", "captures/<b>.bin", "captures/a\x07.bin", '"captures/a\nb.bin"']
)
def test_names_that_the_workflow_would_take_for_its_own_are_refused(name: str, study_folder: Maker) -> None:
    folder = study_folder()
    _edit(folder / "config" / "sessions.tsv", "captures/S1.bin", name)
    with pytest.raises(SettingsError, match=r"holds one of {}<> or a control character"):
        Study(folder)


class _Reader(HTMLParser):
    """Elements that only a hostile value can have brought in, and the words of the page."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []
        self.words = ""

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        handlers = [name for name, _ in attributes if name.startswith("on")]
        if handlers or (tag == "img" and dict(attributes).get("src") == "x"):
            self.found.append(f"{tag} {handlers}")

    def handle_data(self, data: str) -> None:
        self.words += data
        if self.cdata_elem == "script" and "alert(" in data:
            self.found.append("script")


def _elements(text: str) -> list[str]:
    reader = _Reader()
    reader.feed(text)
    return reader.found


def _words(text: str) -> str:
    reader = _Reader()
    reader.feed(text)
    return reader.words


def _cells(path: Path) -> Iterator[str]:
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.reader(file):
            yield from row


def _formula(cell: str) -> bool:
    """OWASP, CSV Injection: what a spreadsheet would run. A number with its sign is none."""
    return cell[:1] in tuple("=+-@\t\r") and re.fullmatch(r"[+-]?[\d.]+([eE][+-]?\d+)?", cell) is None


# --- spreadsheets -----------------------------------------------------------------------------


def test_text_is_made_plain_and_numbers_are_left(tmp_path: Path) -> None:
    triggers = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", "-cmd|' /C calc'!A0", "＝1"]
    frame = pd.DataFrame(
        {
            "text": triggers,
            "code": pd.Categorical(triggers),
            "number": [-1.5] * 8,
            "whole": [-7] * 8,
            "figures": ["-1.5", "+2", "-3e-5", "-.5", "-1_0", "- 1", "-inf", "-٣"],
            "none": [None, "a", "b=1", "", "1-1", "x@y", None, "c"],
        }
    )
    csv_io.write(tmp_path / "out.csv", [frame, frame])
    read = pd.read_csv(tmp_path / "out.csv", dtype=str, keep_default_na=False)
    assert read["text"].tolist() == [f"'{each}" for each in triggers] * 2
    assert read["code"].tolist() == read["text"].tolist()
    assert set(read["number"]) == {"-1.5"}
    assert set(read["whole"]) == {"-7"}
    # The last four only look like numbers to Python.
    assert read["figures"].tolist()[:8] == ["-1.5", "+2", "-3e-5", "-.5", "'-1_0", "'- 1", "'-inf", "'-٣"]
    assert read["none"].tolist()[:8] == ["", "a", "b=1", "", "1-1", "x@y", "", "c"]
    assert frame["text"].tolist() == triggers  # what was handed in is not changed
    assert list(tmp_path.iterdir()) == [tmp_path / "out.csv"]


@given(st.text())
def test_no_text_stays_a_formula(text: str) -> None:
    made = csv_io.plain(text)
    assert not _formula(made)
    assert made in (text, f"'{text}")


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers())
def test_no_number_is_changed(number: float) -> None:
    assert csv_io.plain(str(number)) == str(number)


def test_nothing_else_writes_csv() -> None:
    """Registered in one place, so that no table goes out another way."""
    found = [path.name for path in SOURCES if re.search(r"to_csv\(|write_csv\(", path.read_text())]
    assert found == ["csv_io.py"]


# --- YAML -------------------------------------------------------------------------------------

LETTERS = "abcdefghijklmnopqrstuvwxy"
BOMB = "a: &a [x, x]\n" + "".join(f"{new}: &{new} [*{old}, *{old}]\n" for old, new in pairwise(LETTERS))
YAML = {
    "an object": "study: !!python/object/apply:os.system ['touch pwned']\n",
    "a module": "study: !!python/module:os\n",
    "a name": "study: !!python/name:os.system\n",
    "a tag of its own": "study: !mine {a: 1}\n",
    "a day that is none": "study: 2026-02-30\n",
    "a month that is none": "title: 2026-13-01\n",
    "a number of 5000 digits": f"study: trial\nepochs: {{seconds: {'9' * 5000}}}\n",
    "a nest of 5000": f"study: {'[' * 5000}{']' * 5000}\n",
    "a bomb of aliases": f"{BOMB}study: *y\n",
    "a key that is a list": "? [study]\n: trial\n",
    "a loop": "study: &a [*a]\n",
    "infinity": "study: trial\nlimits: {min_hours: .inf}\n",
    "no number": "study: trial\nlimits: {min_hours: .nan}\n",
    "a null byte": "study: tri\0al\n",
    "too much": "# " + "x" * LONGEST + "\nstudy: trial\n",
}


@pytest.mark.parametrize("case", YAML)
def test_yaml_builds_nothing_and_says_why(case: str, tmp_path: Path) -> None:
    path = tmp_path / "study.yaml"
    path.write_text(YAML[case])
    with pytest.raises(SettingsError) as raised:
        load(path, StudyFile)
    assert str(raised.value).startswith(str(path))
    assert len(str(raised.value)) < 1000
    assert not list(tmp_path.rglob("pwned"))
    assert not Path("pwned").exists()


def test_a_loader_that_builds_would_have_built() -> None:
    """The first case is a real one: a loader that trusts its text builds the object."""
    built = yaml.load("!!python/object/apply:os.getcwd []", Loader=yaml.UnsafeLoader)
    assert built == str(Path.cwd())


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=8),
    lambda inside: st.lists(inside, max_size=3) | st.dictionaries(st.text(max_size=4), inside, max_size=3),
    max_leaves=8,
)


@given(PLAIN)
def test_the_quick_reader_gives_what_the_other_does(value: Any) -> None:
    """What the library writes comes back, whichever reads it; neither builds objects."""
    assert issubclass(yaml_io.SAFE, yaml.constructor.SafeConstructor)
    text = yaml.safe_dump(value)
    assert yaml_io.SAFE(text).get_single_data() == yaml.safe_load(text) == value


@pytest.mark.parametrize("path", sorted((ROOT / "config").rglob("*.yaml")), ids=lambda path: path.stem)
def test_both_readers_see_the_same_settings_on_the_same_lines(path: Path) -> None:
    text = path.read_text()
    assert yaml_io.SAFE(text).get_single_data() == yaml.safe_load(text)
    quick, slow = (list(lines(yaml.compose(text, Loader=each))) for each in (yaml_io.SAFE, yaml.SafeLoader))
    assert quick == slow


def lines(node: yaml.Node | None) -> Iterator[tuple[str, int]]:
    """Kind and line of each node."""
    if node is None:
        return
    yield type(node).__name__, node.start_mark.line
    parts = node.value if isinstance(node, yaml.CollectionNode) else []
    for part in parts:
        for each in part if isinstance(part, tuple) else [part]:
            yield from lines(each)


# --- layouts that ask for too much ------------------------------------------------------------

ECG = "    samples: 20\n    bits: 12\n    order: big\n    stamp: last\n"
TOO_MUCH = {
    "a terabyte of samples": ("samples: 20", "samples: 500000000000"),
    "a frame past the limit": ("samples: 10\n", f"samples: {MAX_FRAME_BYTES}\n"),
    "a rate past the limit": ("rate_hz: 250", f"rate_hz: {MAX_RATE_HZ * 10}"),
    "frames dealt over a terabyte": ("stamp: last", "stamp: last\n    interleave: 1000000000"),
    "rails past any count": ("rails: [0, 4095]", f"rails: [0, {10**40}]"),
    "a unit past any stamp": ("unit_ns: 1000000}", f"unit_ns: {10**40}}}"),
    "a length past any frame": ("plus: 3}", f"plus: {10**40}}}"),
    "marks without end": ("every_s: 10", "every_s: 1e-12"),
    "a scale that is none": ("scale: 0.002", "scale: .nan"),
}


@pytest.mark.parametrize("case", TOO_MUCH)
def test_a_layout_that_asks_for_too_much_is_refused_at_once(case: str, tmp_path: Path) -> None:
    text = (ROOT / "config" / "layouts" / "beltframe.yaml").read_text()
    old, new = TOO_MUCH[case]
    assert old in text
    path = tmp_path / "beltframe.yaml"
    path.write_text(text.replace(old, new, 1))
    tracemalloc.start()
    with pytest.raises(SettingsError):
        load_layout(path)
    assert tracemalloc.get_traced_memory()[1] < 20e6
    tracemalloc.stop()


def test_a_frame_at_the_limit_is_taken(tmp_path: Path) -> None:
    text = (ROOT / "config" / "layouts" / "beltframe.yaml").read_text()
    text = text.replace("role: length, bits: 8", "role: length, bits: 32").replace(
        "samples: 20", "samples: 43690"
    )
    path = tmp_path / "beltframe.yaml"
    path.write_text(text)
    assert load_layout(path).stream("ecg").payload_bytes == 65_535


# --- the sources ------------------------------------------------------------------------------

FORBIDDEN = {
    "eval",
    "exec",
    "compile",
    "__import__",
    "os.system",
    "os.popen",
    "os.execv",
    "os.execvp",
    "os.spawnv",
    "yaml.load",
    "yaml.full_load",
    "yaml.unsafe_load",
    "yaml.load_all",
    "pd.read_pickle",
    "pd.eval",
    "subprocess.getoutput",
    "subprocess.getstatusoutput",
}
MODULES = {"pickle", "cPickle", "marshal", "shelve", "dill", "joblib", "cloudpickle", "commands", "pty"}
METHODS = {"eval", "query", "to_pickle", "read_pickle"}
"""Of frames: they evaluate text."""


def faults(source: str) -> list[str]:
    """What in a source runs text, unpickles, or hands a shell a string."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found += [each.name for each in node.names if each.name.split(".")[0] in MODULES]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in MODULES:
            found.append(str(node.module))
        elif isinstance(node, ast.Call):
            found += _call(node)
    return found


def _call(node: ast.Call) -> list[str]:
    name, given = ast.unparse(node.func), {each.arg: each.value for each in node.keywords}
    found = [name] if name in FORBIDDEN or name.split(".")[-1] in METHODS else []
    if "shell" in given and ast.unparse(given["shell"]) != "False":
        found.append(f"{name} with a shell")
    if name.startswith("subprocess."):
        first = node.args[0] if node.args else None
        if not isinstance(first, ast.List | ast.Name) or isinstance(first, ast.JoinedStr | ast.Constant):
            found.append(f"{name} of text")
    if (
        name in ("np.load", "numpy.load")
        and ast.unparse(given.get("allow_pickle", ast.Constant(None))) != "False"
    ):
        found.append("np.load that may unpickle")
    if name.endswith("Environment") and ast.unparse(given.get("autoescape", ast.Constant(None))) != "True":
        found.append("pages without escapes")
    if name == "yaml.compose" and ast.unparse(given["Loader"]) not in ("yaml.SafeLoader", "SAFE"):
        found.append("yaml.compose")
    if name == "Markup" and not _own_words(node.args[0]):
        found.append("Markup of text that is not this project's")
    return found


def _own_words(node: ast.expr) -> bool:
    """A file of the package, or a string whose every part is escaped or a list of marks already made."""
    text = ast.unparse(node)
    return "__file__" in text or (isinstance(node, ast.JoinedStr) and "escape(" in text)


@pytest.mark.parametrize(
    "source",
    [
        "eval('1')",
        "import pickle",
        "from pickle import loads",
        "os.system(x)",
        "subprocess.run('ls')",
        "subprocess.run(f'ls {x}')",
        "subprocess.run(x, shell=True)",
        "yaml.load(x, Loader=yaml.Loader)",
        "np.load(x)",
        "frame.query(x)",
        "jinja2.Environment(loader=x)",
        "Markup(x)",
        "exec(x)",
    ],
)
def test_the_search_finds_each_fault(source: str) -> None:
    assert faults(source)


def test_no_source_runs_text_unpickles_or_builds_a_shell_string() -> None:
    found = {str(path.relative_to(ROOT)): faults(path.read_text()) for path in SOURCES}
    assert {name: what for name, what in found.items() if what} == {}
    assert "|safe" not in "".join(path.read_text() for path in (ROOT / "workflow").rglob("*.html"))


def test_pages_put_text_in_as_text() -> None:
    """What a script of a page writes is text, never markup."""
    scripts = [*(ROOT / "workflow").rglob("*.js"), *(ROOT / "workflow").rglob("*.html")]
    assert scripts
    for path in scripts:
        text = path.read_text()
        for word in (
            "innerHTML",
            "outerHTML",
            "insertAdjacentHTML",
            "document.write",
            "eval(",
            "new Function",
        ):
            assert word not in text, (path.name, word)


def test_rules_hand_the_shell_codes_alone() -> None:
    """Session codes, logs and outputs made of them, digests and a number: none holds what a shell would take
    apart."""
    allowed = {
        "wildcards.session",
        "log",
        "output",
        "params.sessions",
        "params.digest",
        "threads",
    }
    rules = [path.read_text() for path in (ROOT / "workflow" / "rules").glob("*.smk")]
    shells = [match for text in rules for match in re.findall(r'shell:\s*"(.*)"', text)]
    assert len(shells) >= 10
    for shell in shells:
        assert set(re.findall(r"{(.*?)}", shell)) <= allowed, shell
        assert not re.search(r"[;&|`$]", shell.replace("2>&1", "")), shell
