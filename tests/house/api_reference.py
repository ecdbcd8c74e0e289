"""Write reports/api.md, the reference of the package's public names, from their docstrings: `python tests/house/api_reference.py`."""

from __future__ import annotations

import dataclasses
import inspect
from pathlib import Path
from typing import Any

import yieldsim

PAGE = Path(__file__).resolve().parents[2] / "reports" / "api.md"
GROUPS = (
    ("Verbs", "Take files or nouns and give results; each is a command too.", yieldsim.VERBS),
    ("Readers", "Make nouns of files.", (*yieldsim.READERS, "open_estimate")),
    ("Errors", "All are YieldsimError.", yieldsim.ERRORS),
)


def reference() -> str:
    """The whole page."""
    told = {name for _, _, names in GROUPS for name in names}
    nouns = tuple(name for name in yieldsim.__all__ if name not in told)
    lines = [
        "# API reference",
        "",
        "Made from docstrings by `python tests/house/api_reference.py`; do not edit. `help(yieldsim.NAME)` tells the same.",
    ]
    for title, words, names in (*GROUPS, ("Nouns", "Frozen; `dataclasses.replace` gives variants.", nouns)):
        lines += ["", f"## {title}", "", words]
        for name in names:
            lines += ["", f"### yieldsim.{name}", "", *described(name, getattr(yieldsim, name))]
    return "\n".join(lines) + "\n"


def described(name: str, what: Any) -> list[str]:
    """Signature or fields, and the docstring as it stands."""
    doc = inspect.getdoc(what) or ""
    if inspect.isclass(what) and dataclasses.is_dataclass(what):
        head = [f"{name}(", *(f"    {field_words(field)}," for field in dataclasses.fields(what)), ")"]
    elif inspect.isclass(what):
        head = [f"{name}({', '.join(base.__name__ for base in what.__bases__)})"]
    else:
        signature = inspect.signature(what)
        head = [
            f"{name}(",
            *(f"    {line}," for line in parameter_lines(signature)),
            f") -> {signature.return_annotation}",
        ]
    # the signature that dataclasses put in place of a docstring says nothing new
    text = [] if doc.startswith(f"{name}(") else doc.splitlines()
    return ["```python", *head, "```", "", *(["```text", *text, "```"] if text else [])]


def parameter_lines(signature: inspect.Signature) -> list[str]:
    """Each parameter as the source has it, and the star before those that need their name."""
    lines: list[str] = []
    for one in signature.parameters.values():
        if one.kind is inspect.Parameter.KEYWORD_ONLY and "*" not in lines:
            lines.append("*")
        default = "" if one.default is inspect.Parameter.empty else f" = {one.default!r}"
        stars = "**" if one.kind is inspect.Parameter.VAR_KEYWORD else ""
        lines.append(f"{stars}{one.name}: {one.annotation}{default}")
    return lines


def field_words(field: dataclasses.Field[Any]) -> str:
    """Name, type and default of a noun's field."""
    if field.default is not dataclasses.MISSING:
        return f"{field.name}: {field.type} = {field.default!r}"
    return f"{field.name}: {field.type}"


if __name__ == "__main__":
    PAGE.write_text(reference(), encoding="utf-8")
