"""The README's Python example runs, its commands exist, its picture is there."""

import re
from pathlib import Path

import matplotlib as mpl

from yieldsim.cli.main import COMMANDS

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_python_example_runs(monkeypatch):
    monkeypatch.chdir(ROOT)
    mpl.use("Agg")
    code = re.search(r"```python\n(.*?)```", README, re.S)
    assert code is not None
    names: dict[str, object] = {}
    exec(code.group(1), names)
    assert float(names["ds"].delivered_power_w.max()) > 0  # type: ignore[attr-defined]


def test_every_command_is_told():
    told = set(re.findall(r"^\| (.*?) \|", README, re.M))
    words = {word.strip("` ") for cell in told for word in cell.split(",")}
    assert set(COMMANDS) <= words


def test_exactly_two_shell_blocks():
    assert len(re.findall(r"^```sh$", README, re.M)) == 2


def test_pictures_are_there():
    pictures = re.findall(r"!\[.*?\]\((.*?)\)", README)
    assert pictures
    for picture in pictures:
        assert (ROOT / picture).is_file(), picture
