"""The API reference is that of the code."""

import importlib.util
from pathlib import Path


def test_the_reference_is_made_from_the_docstrings() -> None:
    spec = importlib.util.spec_from_file_location(
        "api_reference", Path(__file__).with_name("api_reference.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    assert module.PAGE.read_text(encoding="utf-8") == module.reference(), (
        "run: python tests/house/api_reference.py"
    )
