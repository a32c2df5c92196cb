"""README and the reference page name what the program has, and nothing that it has not.

What they promise of results is held by the tests of the results; here it is only whether the lists are whole.
"""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

from cli.main import cli
from spatial.findings import Code

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
REFERENCE = (ROOT / "cli/REFERENCE.md").read_text(encoding="utf-8")
PAGES = {"README.md": README, "cli/REFERENCE.md": REFERENCE}
OPTIONS = {
    name: {tuple(param.opts) for param in command.params if param.param_type_name == "option"}
    for name, command in cli.commands.items()
}
OF_OTHERS = {"--reinstall", "--help"}
"""Options of the installers, and the one that every command has by itself."""


@cache
def modules():
    """Every module of the package as a tree, by its path; worked out where it is asked for, not in every process."""
    return {path: ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / "spatial").rglob("*.py")}


@cache
def strings():
    return {
        node.value
        for tree in modules().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    }


def section(heading):
    """The text under a heading of the reference page."""
    found = REFERENCE.partition(f"\n## {heading}\n")[2].partition("\n## ")[0]
    assert found, heading
    return found


def in_backticks(text):
    return set(re.findall(r"`([a-z0-9_]+)`", text))


def anchors(text):
    """What headings are linked by: small letters, spaces as dashes, no other signs."""
    headings = re.findall(r"^#+ (.*)$", re.sub(r"^```.*?^```", "", text, flags=re.M | re.S), flags=re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def keys_of(function):
    """The keys of every dict that is written out in a function, or in a module."""
    return {
        key.value
        for node in ast.walk(function)
        if isinstance(node, ast.Dict)
        for key in node.keys
        if isinstance(key, ast.Constant)
    }


def function_of(module, name):
    tree = modules()[ROOT / "spatial/report" / module]
    return next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == name)


def test_readme_is_short_and_begins_with_the_job_in_one_paragraph():
    assert len(README.splitlines()) <= 200
    title, job, _ = README.split("\n\n", 2)
    assert title == "# Soundplumb"
    assert job.startswith("You film performances")
    for word in ("clip", "takes", "scratch track", "mount", "track"):
        assert f"*{word}*" in job


def test_ci_finds_one_line_that_runs_the_tests():
    block = README.partition("<!-- test command -->")[2].partition("<!-- end -->")[0]
    lines = [line for line in block.splitlines() if line and not line.startswith("```")]
    assert len(lines) == 1
    assert "pytest" in lines[0]


def test_readme_has_an_example_of_every_command():
    after = README.partition("## The commands, in the order of the day")[2].partition("\n## ")[0]
    assert set(re.findall(r"^\*\*(\w+)\*\*", after, flags=re.M)) == set(OPTIONS)
    for name in OPTIONS:
        assert re.search(rf"soundplumb {name} \S", after), name


@pytest.mark.parametrize("command", OPTIONS)
def test_every_option_is_on_one_of_the_pages(command):
    missing = [
        opts for opts in OPTIONS[command] if not any(re.search(rf"{opt}(?![\w-])", README + REFERENCE) for opt in opts)
    ]
    assert not missing


@pytest.mark.parametrize("page", PAGES)
def test_the_pages_name_no_option_that_there_is_not(page):
    known = OF_OTHERS.union(*(set(opts) for options in OPTIONS.values() for opts in options))
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", PAGES[page]))
    assert named
    assert named <= known


@pytest.mark.parametrize("page", PAGES)
def test_links_lead_somewhere(page):
    links = re.findall(r"\]\(([^)]+)\)", PAGES[page])
    assert links
    for link in links:
        name, _, anchor = link.partition("#")
        target = ((ROOT / page).parent / name) if name else ROOT / page
        assert target.exists(), link
        if anchor:
            assert anchor in anchors(target.read_text(encoding="utf-8")), link


def test_every_json_key_is_promised():
    told = in_backticks(section("Which JSON keys are promised?")) | in_backticks(
        section("Which channel format has my take?")
    )
    written = keys_of(modules()[ROOT / "spatial/report/json_output.py"])
    written_elsewhere = (
        ("day_report.py", "day_json"),
        ("demo_report.py", "_errors"),
        ("review_page.py", "review_json"),
        ("headset_report.py", "headset_json"),
        ("film_report.py", "film_json"),
        ("film_report.py", "_shot_json"),
        ("film_report.py", "_sound_json"),
        ("handover_report.py", "with_delivered"),
        ("handover_report.py", "originals_json"),
    )
    for module, name in written_elsewhere:
        written |= keys_of(function_of(module, name))
    assert {"offset_s", "clips", "mount_deg", "page"} <= written
    # What a microphone file has learned is an object of its own.
    assert written - {"places", "helped"} <= told


def test_every_promised_json_key_is_written_somewhere():
    table = [line for line in section("Which JSON keys are promised?").splitlines() if line.startswith("| `")]
    assert len(table) == len(OPTIONS)
    promised = set().union(*(in_backticks(line) for line in table))
    assert promised - set(OPTIONS) <= strings()


def test_every_finding_code_is_listed_and_every_listed_one_is_used():
    listed = in_backticks(section("Which findings are there?").partition("- About a take")[2])
    used = {
        node.attr.lower()
        for path, tree in modules().items()
        if path.name != "findings.py"
        for node in ast.walk(tree)
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "Code"
    }
    assert used == {code.value for code in Code}, "a code that nothing says"
    assert used == {code.name.lower() for code in Code}
    assert listed == used
