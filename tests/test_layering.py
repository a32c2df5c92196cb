"""Imports point one way, heavy libraries stay where they belong, and module docstrings tell the truth.

The rule: conventions, errors, findings <- field, capsules, rotation, picture, timebase <- the measuring rooms | media
<- jobs <- report <- notebook <- cli. Of the measuring rooms direction, health stand on dsp, and mount, sync,
verification on direction. Report puts the jobs' results into words, so it stands above them. Notebook is what
`import spatial` offers; the package itself loads it only when it is asked for. Imports are read from the source with
`ast`, so those inside functions and under TYPE_CHECKING count too.
"""

import ast
import re
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent

MEASURING = tuple(
    f"spatial.{room}" for room in ("dsp", "health", "direction", "mount", "shots", "sync", "verification")
)
"""Rooms that take arrays: they open no files, and `media` measures nothing."""

LAYERS = {
    "spatial": 0,
    "spatial.conventions": 0,
    "spatial.errors": 0,
    "spatial.findings": 0,
    "spatial.version": 0,
    "spatial.calibration": 1,
    "spatial.capsules": 1,
    "spatial.field": 1,
    "spatial.rotation": 1,
    "spatial.picture": 1,
    "spatial.timebase": 1,
    "spatial.dsp": 2,
    "spatial.shots": 3,
    "spatial.media": 2,
    "spatial.health": 3,
    "spatial.direction": 3,
    "spatial.mount": 4,
    "spatial.sync": 4,
    "spatial.verification": 4,
    "spatial.jobs": 5,
    "spatial.report": 6,
    "spatial.notebook": 7,
    "cli": 8,
}
"""How high each part of the house stands: it may import from its own part, and from lower ones."""

FOUNDATION = 1
"""On this layer and below parts may import their neighbours, as long as nothing goes round in a circle."""

HOME_OF_LIBRARY: dict[str, tuple[str, ...]] = {
    "soundfile": ("spatial.media",),
    "av": ("spatial.media",),
    "matplotlib": ("spatial.report", "spatial.notebook"),
    "jinja2": ("spatial.report",),
    "librosa": MEASURING,
    "click": ("cli",),
    "demo_audio": ("spatial.jobs.demo",),
}
"""Libraries that only one part of the house may import."""

FACE, BEHIND_IT = "spatial", "spatial.notebook"
"""The package itself offers what stands near the top: it imports that for type checkers, and else when asked for it."""

LIGHT_IN_CLI = {"click", "spatial", "cli"}
"""What a command may import beside the standard library: it parses, calls one job and prints."""


def modules(*packages: str) -> dict[str, str]:
    """Source of every module of the packages, by dotted name; a package itself goes by its own name."""
    found = {}
    for package in packages:
        for path in sorted((ROOT / package).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path.read_text(encoding="utf-8")
    return found


def imports(source: str, *, typing_too: bool = True) -> Iterator[str]:
    """Dotted names a module imports; `from a import b` gives a.b, which may be a module or a thing in one."""
    tree = parsed(source)
    for_typing: set[ast.AST] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and ast.unparse(node.test) in ("TYPE_CHECKING", "typing.TYPE_CHECKING"):
            for_typing.update(inner for statement in node.body for inner in ast.walk(statement))
    for node in ast.walk(tree):
        if node in for_typing and not typing_too:
            continue
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            # A leading dot stays in front of what it is relative to: the house imports by full names.
            yield from (f"{'.' * node.level}{node.module or ''}.{alias.name}" for alias in node.names)


def part_of(dotted: str) -> str | None:
    """The part of the house a dotted name lies in: the longest entry of LAYERS it starts with."""
    names = dotted.split(".")
    heads = (".".join(names[:length]) for length in range(len(names), 0, -1))
    return next((head for head in heads if head in LAYERS), None)


def is_within(dotted: str, home: str) -> bool:
    return dotted == home or dotted.startswith(home + ".")


def broken_rules(name: str, source: str) -> list[str]:
    """What a module of the house imports and must not, one sentence each."""
    return [complaint for target in imports(source) if (complaint := objection(name, target))]


def objection(name: str, target: str) -> str | None:
    """Why a module may not import a dotted name, or None if it may."""
    if target.startswith("."):
        return f"{name} imports {target} by a relative name"
    library = target.split(".")[0]
    if library in HOME_OF_LIBRARY:
        homes = HOME_OF_LIBRARY[library]
        at_home = any(is_within(name, home) for home in homes)
        return None if at_home else f"{name} imports {target}, which belongs in {', '.join(homes)}"
    own, other = part_of(name), part_of(target)
    if own == "cli" and library not in LIGHT_IN_CLI | sys.stdlib_module_names:
        return f"{name} imports {target}, and a command only parses, calls and prints"
    if own is None or other is None or own == other:
        return None
    if name == FACE and other == BEHIND_IT:
        return None
    if LAYERS[other] > LAYERS[own]:
        return f"{name} imports {target}, which stands above it"
    if {own, other} & {"spatial.media"} and {own, other} & set(MEASURING):
        return f"{name} imports {target}: measuring rooms and media do not know each other"
    if LAYERS[other] == LAYERS[own] > FOUNDATION:
        return f"{name} imports {target}, its neighbour"
    return None


def circles(sources: dict[str, str]) -> list[list[str]]:
    """Modules that import each other round in a circle when they run (annotations alone do no harm)."""
    graph = {}
    for name, source in sources.items():
        targets = imports(source, typing_too=False)
        graph[name] = {target if target in sources else target.rpartition(".")[0] for target in targets}
        graph[name] &= sources.keys()
    found: list[list[str]] = []
    done: set[str] = set()

    def walk(name: str, path: list[str]) -> None:
        if name in path:
            found.append([*path[path.index(name) :], name])
        elif name not in done:
            for target in sorted(graph[name] - {name}):
                walk(target, [*path, name])
            done.add(name)

    for name in graph:
        walk(name, [])
    return found


HOUSE = modules("spatial", "cli")


@cache
def parsed(source: str) -> ast.Module:
    """The tree of a source, to be shared: several tests read the whole house."""
    return ast.parse(source)


# --- the house ----------------------------------------------------------------------------------------------


def test_the_whole_house_was_found() -> None:
    assert {part_of(name) for name in HOUSE} == set(LAYERS), "a part of LAYERS is empty"
    assert len(HOUSE) > 2 * len(LAYERS)


def test_no_two_modules_share_a_name() -> None:
    rooms = {name for name in HOUSE if any(other.startswith(name + ".") for other in HOUSE)}
    modules_only = [name.rpartition(".")[2] for name in HOUSE if name.startswith("spatial.") and name not in rooms]
    assert sorted(modules_only) == sorted(set(modules_only))


def test_every_module_has_a_place() -> None:
    homeless = [name for name in HOUSE if name != "spatial" and part_of(name) == "spatial"]
    assert homeless == [], "give it a layer in LAYERS"


def test_imports_point_one_way() -> None:
    assert [complaint for name, source in HOUSE.items() for complaint in broken_rules(name, source)] == []


def test_the_face_of_the_package_imports_nothing_when_it_is_loaded() -> None:
    assert set(imports(HOUSE[FACE], typing_too=False)) == {
        "typing.TYPE_CHECKING",
        "importlib.import_module",
        "spatial.version.__version__",
    }


@pytest.mark.slow
def test_nothing_goes_round_in_a_circle() -> None:
    assert circles(HOUSE) == []


def test_the_demo_shoot_knows_nothing_of_the_commands() -> None:
    shoot = modules("demo_audio")
    assert shoot
    assert [name for name, source in shoot.items() for target in imports(source) if is_within(target, "cli")] == []


# --- the docstrings -----------------------------------------------------------------------------------------


def listed_functions(docstring: str) -> list[str]:
    """Names in the `Functions:` list of a module docstring, without what is said of them in brackets."""
    match = re.search(r"^Functions:(.*?)(?=^\w+:|^\s*$|\Z)", docstring, re.MULTILINE | re.DOTALL)
    if match is None:
        return []
    bare = match[1]
    while "(" in bare:
        bare, brackets = re.subn(r"\([^()]*\)", "", bare)
        assert brackets, f"brackets do not match in: {match[1]}"
    return [name.strip() for name in re.split(r"[;,]", bare.strip().rstrip(".")) if name.strip()]


def names_in(source: str) -> set[str]:
    """Names of the functions and classes that a module defines at its top level."""
    return {node.name for node in parsed(source).body if isinstance(node, (ast.FunctionDef, ast.ClassDef))}


@cache
def docstrings() -> dict[str, str]:
    return {name: ast.get_docstring(parsed(source)) or "" for name, source in HOUSE.items()}


def test_listed_functions_exist() -> None:
    lists = {name: listed_functions(text) for name, text in docstrings().items() if "Functions:" in text}
    assert [name for name, listed in lists.items() if not listed] == []
    missing = {name: sorted(set(listed) - names_in(HOUSE[name])) for name, listed in lists.items()}
    assert {name: names for name, names in missing.items() if names} == {}


def test_every_module_says_what_it_is_for() -> None:
    assert [name for name, text in docstrings().items() if not text] == []


def test_most_of_the_house_lists_its_functions() -> None:
    assert sum(bool(listed_functions(text)) for text in docstrings().values()) > len(HOUSE) / 3


# --- the checker itself -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "source", "words"),
    [
        ("spatial.errors", "from spatial.field import encode", "stands above it"),
        ("spatial.field", "import spatial.sync.alignment", "stands above it"),
        ("spatial.field", "from spatial import media", "stands above it"),
        ("spatial.sync.alignment", "from spatial.media.takes.take import Take", "do not know each other"),
        ("spatial.media.takes.take", "from spatial.sync import alignment", "stands above it"),
        ("spatial.media.takes.take", "from spatial.dsp import samples", "do not know each other"),
        ("spatial.sync.baseline", "from spatial.mount import wahba", "its neighbour"),
        ("spatial.sync.alignment", "from spatial.jobs.sync.sync_clip import sync_clip", "stands above it"),
        ("spatial.jobs.sync.sync_clip", "from spatial.report import words", "stands above it"),
        ("spatial.report.words", "import cli.main", "stands above it"),
        ("spatial.report.words", "from spatial.notebook.recording import read", "stands above it"),
        ("spatial", "from spatial.report import words", "stands above it"),
        ("spatial.notebook.recording", "from cli.main import cli", "stands above it"),
        ("spatial.jobs.sync.sync_clip", "def late():\n    from cli.main import cli", "stands above it"),
        ("spatial.media.cache", "if TYPE_CHECKING:\n    from spatial.jobs.sync import sync_clip", "stands above it"),
        ("spatial.jobs.sync.sync_clip", "import click", "belongs in cli"),
        ("spatial.jobs.sync.sync_clip", "import demo_audio", "belongs in spatial.jobs.demo"),
        ("cli.demo", "from demo_audio import make", "belongs in spatial.jobs.demo"),
        ("spatial.jobs.sync.sync_clip", "import soundfile as sf", "belongs in spatial.media"),
        ("spatial.mediation", "import av", "belongs in spatial.media"),
        ("spatial.sync.alignment", "import av.audio", "belongs in spatial.media"),
        ("spatial.jobs.sync.sync_clip", "from matplotlib.figure import Figure", "belongs in spatial.report"),
        ("spatial.media.takes.take", "def late():\n    import librosa", "belongs in spatial.dsp"),
        ("cli.sync", "import numpy as np", "only parses, calls and prints"),
        ("spatial.field", "from .errors import InputError", "by a relative name"),
        ("spatial.jobs.sync.sync_clip", "from . import marks", "by a relative name"),
    ],
)
def test_the_checker_objects(name: str, source: str, words: str) -> None:
    [complaint] = broken_rules(name, source)
    assert words in complaint


@pytest.mark.parametrize(
    ("name", "source"),
    [
        ("spatial.picture", "from spatial.field import unit_vectors"),
        (
            "spatial.media.takes.take",
            "import soundfile\nfrom spatial.media.buffers import Spool\nfrom spatial.errors import X",
        ),
        ("spatial.report.plots.style", "from matplotlib.figure import Figure\nfrom spatial.jobs.sync import sync_clip"),
        ("spatial.jobs.demo", "import demo_audio\nfrom spatial.version import __version__"),
        ("spatial", "from spatial.notebook.recording import read"),
        ("spatial.notebook.recording", "from spatial.report import words\nfrom spatial.jobs.demo import run_demo"),
        ("cli.sync", "import json\nimport click\nfrom cli.running import Run\nfrom spatial.jobs.sync import sync_clip"),
    ],
)
def test_the_checker_lets_good_imports_pass(name: str, source: str) -> None:
    assert broken_rules(name, source) == []


def test_the_checker_sees_a_circle() -> None:
    house = {"spatial.a": "import spatial.b", "spatial.b": "from spatial.c import x", "spatial.c": "import spatial.a"}
    assert circles(house) == [["spatial.a", "spatial.b", "spatial.c", "spatial.a"]]
    house["spatial.c"] = "if TYPE_CHECKING:\n    import spatial.a"
    assert circles(house) == []


def test_the_checker_reads_lists_of_functions() -> None:
    text = "What.\n\nFunctions: one, two (both (of them), really); three\n(the last).\nSources:\n[1] four, five.\n"
    assert listed_functions(text) == ["one", "two", "three"]
    assert listed_functions("What, and no more.") == []
    assert names_in("def one(): ...\nclass Two:\n    def three(self): ...\n") == {"one", "Two"}
