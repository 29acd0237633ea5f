"""The page's code against the engines of the last four years, by the compatibility data that ESLint's plugins bring.

JavaScript: eslint-plugin-compat (the browser-compat-data of MDN and caniuse) and eslint-plugin-es-x; style: the rule
`use-baseline` of @eslint/css (web-features of the W3C WebDX group).
"""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.page.conftest import node_modules

ROOT = Path(__file__).parents[2]
CONFIG = "tests/page/eslint.config.js"


def complaints(*places: str, cwd: Path = ROOT) -> list[str]:
    """What an old browser would not know, a line each."""
    eslint = node_modules() / "eslint" / "bin" / "eslint.js"
    done = subprocess.run(
        ["node", eslint, "--config", ROOT / CONFIG, "--format", "json", *places],
        cwd=cwd, capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.stdout, done.stderr
    files = json.loads(done.stdout)
    assert files
    return [
        f"{Path(file['filePath']).name}:{one['line']}: {one['message']}" for file in files for one in file["messages"]
    ]


def test_nothing_on_the_page_is_younger_than_the_oldest_browser() -> None:
    assert complaints("bridge/page") == []


@pytest.mark.parametrize(
    ("name", "text", "told"),
    [
        ("a.js", "[3, 1].toSorted();", "toSorted"),
        ("a.js", "[1].values().map((one) => one);", "Iterator.prototype.map"),
        ("a.js", "Object.groupBy([], () => 1);", "groupBy"),
        ("a.js", "navigation.navigate('/');", "Navigation"),
        ("a.js", "export const one = /[a--b]/v;", "'v' flag"),
        ("a.css", "a { text-wrap: balance; }", "text-wrap"),
        ("a.css", "a:has(b) { color: red; }", "'has'"),
        ("a.css", "a { & b { color: red; } }", "nesting"),
        ("a.css", "a { color: color-mix(in srgb, red, blue); }", "color-mix"),
        ("a.css", "@container (width > 1px) { a { color: red; } }", "container"),
    ],
)
def test_what_is_younger_would_be_found(tmp_path: Path, name: str, text: str, told: str) -> None:
    (tmp_path / name).write_text(text)
    found = complaints(name, cwd=tmp_path)
    assert any(told in one for one in found), found


def test_style_and_code_are_both_looked_at(tmp_path: Path) -> None:
    shutil.copytree(ROOT / "bridge" / "page", tmp_path / "page")
    with (tmp_path / "page" / "style.css").open("a") as style, (tmp_path / "page" / "osc.js").open("a") as code:
        style.write("a { text-wrap: balance; }")
        code.write("[1].toSorted();")
    assert {one.split(":")[0] for one in complaints("page", cwd=tmp_path)} == {"style.css", "osc.js"}
