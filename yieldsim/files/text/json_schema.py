"""What JSON Schemas of inputs and of answers have in common."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

DRAFT = "https://json-schema.org/draft/2020-12/schema"


def untitled(node: Any, change: Callable[[dict[str, Any]], dict[str, Any]] = dict) -> Any:
    """A schema without the titles that repeat keys; each of its tables changed, from the innermost out."""
    if isinstance(node, list):
        return [untitled(one, change) for one in node]
    if not isinstance(node, dict):
        return node
    made = {key: untitled(value, change) for key, value in node.items()}
    if isinstance(made.get("title"), str):
        del made["title"]
    return change(made)
