"""Arrays packed for the page come back; what stands in a script element can't leave it."""

from __future__ import annotations

import base64
import hashlib
import json
import re
import zlib

import numpy as np
import pytest

from yieldsim.report.page.document import BODY, SCRIPTS, STYLE, document, framed, script_json
from yieldsim.report.page.packed_arrays import KINDS, packed, shares_16, turns_16


def unpacked(contents: dict, text: str) -> dict[str, np.ndarray]:
    """A reading of the format by its description, apart from the page's own script."""
    data = zlib.decompress(base64.b64decode(text), -15)
    found = {}
    for name, item in contents.items():
        width = np.dtype(item["kind"]).itemsize
        count = int(np.prod(item["shape"]))
        planes = np.frombuffer(data, np.uint8, count * width, item["at"]).reshape(width, count)
        bits = np.ascontiguousarray(planes.T).view(f"<{KINDS[item['kind']]}").reshape(item["shape"])
        if item["differences"]:
            bits = np.cumsum(bits, axis=-1, dtype=bits.dtype)
        found[name] = bits.view(item["kind"])
    return found


def test_arrays_come_back() -> None:
    random = np.random.default_rng(3)
    arrays = {
        "bytes": random.integers(0, 256, 33).astype(np.uint8),
        "shares": random.integers(0, 65536, (3, 7)).astype(np.uint16),
        "angles": random.integers(-(2**31), 2**31 - 1, 50).astype(np.int32),
        "power": random.normal(size=20).astype(np.float32),
        "asked": random.normal(size=(2, 9)),
        "none": np.zeros(0, dtype=np.uint16),
    }
    found = unpacked(*packed(arrays))
    for name, values in arrays.items():
        assert found[name].dtype == values.dtype
        np.testing.assert_array_equal(found[name], values, err_msg=name)


def test_a_smooth_series_takes_little_room() -> None:
    day = turns_16(np.arange(8760) / 708.7 * 24.0, 24.0)
    assert len(packed({"day": day})[1]) < 3000


def test_shares_keep_what_is_lit_lit() -> None:
    assert shares_16(np.array([0.0, 1e-9, 0.5, 1.0]), 1.0).tolist() == [0, 1, 32768, 65535]
    assert shares_16(np.zeros(2), 0.0).tolist() == [0, 0]


def test_turns_wrap_where_the_day_does() -> None:
    assert turns_16(np.array([0.0, 12.0, 23.99999999]), 24.0).tolist() == [0, 32768, 0]


@pytest.mark.parametrize("text", ["</script>", "<!--", "<script", "]]>", "\u2028", "&amp;"])
def test_no_text_ends_its_element(text: str) -> None:
    written = script_json({"name": text})
    assert not set("<>&") & set(written)
    assert json.loads(written) == {"name": text}


def test_the_policy_names_the_script_and_the_style_that_are_there() -> None:
    assets = {name: f"/* {name} */" for name in SCRIPTS} | {STYLE: "p{}", BODY: "<main></main>"}
    page = document("a <b> & c", {}, "", assets)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy is not None
    for kind, element in (("script", r"<script>(.*?)</script>"), ("style", r"<style>(.*?)</style>")):
        inside = re.search(element, page, re.S)
        assert inside is not None
        digest = base64.b64encode(hashlib.sha256(inside.group(1).encode()).digest()).decode()
        assert f"{kind}-src 'sha256-{digest}'" in policy.group(1)
    assert "<title>a &lt;b&gt; &amp; c</title>" in page
    assert 'srcdoc="&lt;!doctype html&gt;' in framed(page, 500)
