"""Whatever stands in a prescription file, the answer is a traced number or words for its user, never a
traceback."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from yieldsim.base.errors import DataMissing, InputError
from yieldsim.files.prescription.edit import read_source
from yieldsim.files.prescription.read import prescription_from
from yieldsim.optics.raytrace.scene import build_scene
from yieldsim.optics.raytrace.tracer import trace

SITES = Path(__file__).resolve().parents[2] / "sites"
DEMOS = [read_source(path)[1] for path in sorted(SITES.glob("*.optics.toml"))]

JUNK = st.one_of(
    st.booleans(),
    st.integers(-(10**30), 10**30),
    st.floats(allow_nan=True, allow_infinity=True),
    st.floats(1e-6, 10.0),
    st.text(max_size=8),
    st.lists(st.one_of(st.floats(-100.0, 100.0), st.text(max_size=3)), max_size=4),
    st.dictionaries(st.sampled_from(["index", "reflectance", "x"]), st.floats(-2.0, 2.0), max_size=2),
    st.sampled_from(["fresnel", "domed_fresnel", "plano_convex", "linear_fresnel", "none", "solid", "mirror", "trough",
                     "square", "round", "compound_parabolic", "straight", "matched", "beside", "in", "out", "pmma"]),
)  # fmt: skip


@settings(max_examples=250, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_mangled_prescriptions_are_refused_in_words_or_traced(data: Any) -> None:
    table = copy.deepcopy(data.draw(st.sampled_from(DEMOS)))
    for _ in range(data.draw(st.integers(1, 3))):
        places = [(table, key) for key in table]
        places += [(part, key) for part in table.values() if isinstance(part, dict) for key in part]
        part, key = data.draw(st.sampled_from(places))
        if data.draw(st.booleans()):
            part[key] = data.draw(JUNK)
        else:
            part.pop(key, None)
    try:
        scene = build_scene(prescription_from(table, Path("mangled.optics.toml")))
    except (InputError, DataMissing):
        return
    share = trace(
        scene, np.array([[0.0, 0.0, 1.0], [0.3, 0.1, 0.9486832980505138]]), points=64, shifts=2
    ).share
    assert np.isfinite(share).all()
    assert abs(share.sum(axis=1) - 1.0).max() < 1e-9
    assert share.min() >= 0.0
