"""Choosing and checking kernels: what comes with the installation, what a user drops or names, what is broken."""

from __future__ import annotations

import gc
import hashlib
import os
import re
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.clock import library_time, tdb_seconds
from yieldsim.base.errors import DataMissing, InputError
from yieldsim.base.model import Body
from yieldsim.files.ephemeris.kernel_file import Coverage
from yieldsim.files.ephemeris.kernel_selection import open_ephemeris
from yieldsim.files.inputs.readers import read_body
from yieldsim.files.text.bundled import ephemeris_folder

BPC, TF = "moon_pa_de421_1900-2050.bpc", "moon_080317.tf"


def span(start: str, end: str) -> tuple[float, float]:
    seconds = tdb_seconds(np.array([start, end], dtype="datetime64[ns]"))
    return float(seconds[0]), float(seconds[1])


YEAR = span("2026-01-01", "2027-01-01")


@pytest.fixture
def moon() -> Body:
    return read_body("moon").noun


@pytest.fixture(autouse=True)
def _own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("YIELDSIM_KERNELS", raising=False)


@pytest.fixture(scope="session")
def excerpt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A positions kernel of 2025 to 2027 with the Sun, the Earth, the Moon and Mars's barycentre, but not Mars."""
    import skyfield_data
    from jplephem.excerpter import write_excerpt
    from jplephem.spk import SPK

    path = tmp_path_factory.mktemp("kernels") / "short.bsp"
    with SPK.open(skyfield_data.__path__[0] + "/data/de421.bsp") as whole, path.open("w+b") as file:
        summaries = [row for row in whole.daf.summaries() if row[1][2] in (3, 4, 10, 301, 399)]
        write_excerpt(whole, file, 2_460_676.5, 2_461_500.5, summaries)
    return path


# ---------------------------------------------------------------- what comes with the installation


def test_bundled_kernels_are_used_and_known_by_their_hashes(moon: Body) -> None:
    ephemeris = open_ephemeris(moon, *YEAR)
    assert [source.name for source in ephemeris.sources] == ["de421.bsp", TF, BPC]
    readme = (ephemeris_folder() / "README.md").read_text(encoding="utf-8")
    for source in ephemeris.sources[1:]:
        content = (ephemeris_folder() / source.name).read_bytes()
        assert source.sha256 == hashlib.sha256(content).hexdigest()
        assert re.search(rf"`{re.escape(source.name)}`.*`{source.sha256}`", readme)
    assert ephemeris.notes == ()
    assert ephemeris.orientation is not None


def test_nothing_warns(moon: Body, recwarn: pytest.WarningsRecorder) -> None:
    """Neither that other files of the data package have expired, nor of files that nobody closed."""
    gc.collect()
    recwarn.clear()
    ephemeris = open_ephemeris(moon, *YEAR)
    turning, sun = ephemeris.orientation, ephemeris.sun
    del ephemeris
    gc.collect()
    # what was taken from the kernels outlives them
    t = library_time(np.array(YEAR))
    assert turning is not None
    assert np.isfinite(turning.rotation_at(t)).all()
    assert np.isfinite(sun.at(t).xyz.au).all()
    del turning, sun
    gc.collect()
    assert [str(w.message) for w in recwarn.list] == []


def test_kernels_are_closed_when_nothing_needs_them(moon: Body) -> None:
    gc.collect()
    before = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    for _ in range(4):
        open_ephemeris(moon, *YEAR)
    gc.collect()
    after = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
    assert after <= before


def test_moon_beyond_its_orientation_kernel_turns_by_its_elements(moon: Body) -> None:
    ephemeris = open_ephemeris(moon, *span("2050-06-01", "2051-06-01"))
    assert ephemeris.orientation is None
    (note,) = ephemeris.notes
    assert "covers 1900-01-01 to 2051-01-01, not all of 2050-06-01 to 2051-06-01" in note
    assert "within 0.0051 deg" in note
    assert [source.name for source in ephemeris.sources] == ["de421.bsp"]


@pytest.mark.parametrize(
    ("start", "end", "outside"),
    [
        ("2060-01-01", "2061-01-01", "366 of 366 days"),
        ("2053-01-01", "2054-01-01", "84 of 365 days"),
        ("1899-07-01", "1899-09-01", "28 of 62 days"),
    ],
)
def test_span_outside_the_ephemeris(start: str, end: str, outside: str) -> None:
    with pytest.raises(DataMissing) as caught:
        open_ephemeris(read_body("mars").noun, *span(start, end))
    text = str(caught.value)
    assert text.startswith(
        f"{start} to {end} can't be computed: de421.bsp covers 1899-07-29 to 2053-10-09, {outside}"
    )
    assert text.endswith("shorten the span or name a longer ephemeris with --kernel")


def test_target_in_no_kernel(moon: Body) -> None:
    with pytest.raises(DataMissing, match=r"position of target 2000001 \(de421.bsp\)"):
        open_ephemeris(replace(moon, ephemeris_target=2_000_001), *YEAR)


def test_missing_orientation_kernel_is_named(moon: Body) -> None:
    assert moon.orientation_kernel is not None
    lost = replace(moon, orientation_kernel=replace(moon.orientation_kernel, binary_file="lost.bpc"))
    with pytest.raises(DataMissing, match=r"lost\.bpc is in none of the kernel folders"):
        open_ephemeris(lost, *YEAR)
    unknown = replace(moon, orientation_kernel=replace(moon.orientation_kernel, frame="MOON_XY"))
    with pytest.raises(DataMissing, match="no orientation kernel at hand has the frame MOON_XY of Moon"):
        open_ephemeris(unknown, *YEAR)


# ---------------------------------------------------------------- the user's own


def test_named_kernel_comes_first(moon: Body, excerpt: Path) -> None:
    ephemeris = open_ephemeris(moon, *YEAR, extra=[excerpt])
    assert [source.name for source in ephemeris.sources] == ["short.bsp", TF, BPC]
    plain = open_ephemeris(moon, *YEAR)
    t = library_time(np.linspace(*YEAR, 9))
    for ours, theirs in (
        (ephemeris.body, plain.body),
        (ephemeris.sun, plain.sun),
        (ephemeris.orbit, plain.orbit),
    ):
        np.testing.assert_array_equal(ours.at(t).xyz.au, theirs.at(t).xyz.au)


@pytest.mark.parametrize("where", ["ephemeris_cache", "elsewhere"])
def test_dropped_kernel_is_found(moon: Body, excerpt: Path, tmp_path: Path, where: str, monkeypatch) -> None:
    folder = tmp_path / where
    folder.mkdir()
    (folder / "mine.bsp").write_bytes(excerpt.read_bytes())
    (folder / "notes.txt").write_text("not a kernel")
    if where == "elsewhere":
        monkeypatch.setenv("YIELDSIM_KERNELS", str(folder))
    assert open_ephemeris(moon, *YEAR).sources[0].name == "mine.bsp"


def test_dropped_kernel_too_short_is_passed_over_with_a_note(
    moon: Body, excerpt: Path, tmp_path: Path
) -> None:
    (tmp_path / "ephemeris_cache").mkdir()
    (tmp_path / "ephemeris_cache" / "mine.bsp").write_bytes(excerpt.read_bytes())
    ephemeris = open_ephemeris(moon, *span("2020-01-01", "2028-01-01"))
    assert ephemeris.sources[0].name == "de421.bsp"
    assert "mine.bsp covers 20" in ephemeris.notes[0]
    assert "so de421.bsp is used for target 10" in ephemeris.notes[0]


def test_named_kernel_without_use_is_noted(moon: Body) -> None:
    mars = read_body("mars").noun
    ephemeris = open_ephemeris(mars, *YEAR, extra=[ephemeris_folder() / BPC])
    assert ephemeris.notes == (f"the kernel {BPC} was named, but nothing in this run needs it",)


def test_planet_with_its_barycentre_only(excerpt: Path) -> None:
    """The user's barycentre comes before the bundled kernel's centre; in de421 the two are the same to a millimetre."""
    mars = read_body("mars").noun
    ephemeris = open_ephemeris(mars, *YEAR, extra=[excerpt])
    assert ephemeris.notes == ("short.bsp has no target 499; its system's barycentre (4) stands in for it",)
    assert [source.name for source in ephemeris.sources] == ["short.bsp"]
    t = library_time(np.linspace(*YEAR, 9))
    plain = open_ephemeris(mars, *YEAR)
    np.testing.assert_allclose(ephemeris.body.at(t).xyz.km, plain.body.at(t).xyz.km, rtol=0, atol=1e-3)
    mercury = open_ephemeris(read_body("mercury").noun, *YEAR, extra=[excerpt])
    assert [source.name for source in mercury.sources] == ["short.bsp", "de421.bsp"]


def test_folder_variable_must_name_a_folder(moon: Body, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("YIELDSIM_KERNELS", "/nowhere/at/all")
    with pytest.raises(InputError, match="YIELDSIM_KERNELS"):
        open_ephemeris(moon, *YEAR)


def test_two_segments_are_one_orientation(moon: Body, tmp_path: Path) -> None:
    """The lunar kernel cut in two segments of one file: the library's own reader would keep only the second."""
    import spiceypy

    with (ephemeris_folder() / BPC).open("rb") as file:
        from jplephem.daf import DAF
        from jplephem.pck import PCK

        (segment,) = PCK(DAF(file)).segments
        begin_s, step_s, words, _ = segment.daf.read_array(segment.end_i - 3, segment.end_i)
        records = segment.daf.read_array(segment.start_i, segment.end_i - 4).reshape(-1, int(words))
    first = int((YEAR[0] - begin_s) / step_s) - 2
    path = tmp_path / "two.bpc"
    handle = spiceypy.pckopn(str(path), "two segments", 0)
    for low, high in ((first, first + 25), (first + 25, first + 60)):
        starts, ends = begin_s + low * step_s, begin_s + high * step_s
        degree = (int(words) - 2) // 3 - 1
        coefficients = records[low:high, 2:].ravel()
        spiceypy.pckw02(
            handle, 31006, "J2000", starts, ends, "half", step_s, high - low, degree, coefficients, starts
        )
    spiceypy.pckcls(handle)
    ephemeris = open_ephemeris(moon, *YEAR, extra=[path])
    assert path.name in [source.name for source in ephemeris.sources]
    plain = open_ephemeris(moon, *YEAR)
    t = library_time(np.linspace(*YEAR, 200))
    for ours, theirs in zip(
        ephemeris.orientation.rotation_and_rate_at(t), plain.orientation.rotation_and_rate_at(t), strict=True
    ):
        np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-12)
    for moment in (t[3], t[190]):
        np.testing.assert_allclose(
            ephemeris.orientation.rotation_at(moment), plain.orientation.rotation_at(moment), atol=1e-12
        )


def test_generic_frame_name_serves_another_ephemeris(moon: Body, tmp_path: Path) -> None:
    """A frame file without MOON_ME_DE421 but with MOON_ME, as those of later ephemerides have."""
    text = (ephemeris_folder() / TF).read_text()
    other = tmp_path / "later.tf"
    other.write_text(text.replace("MOON_ME_DE421", "MOON_ME_LATER").replace("MOON_PA_DE421", "MOON_PA_LATER"))
    ephemeris = open_ephemeris(moon, *YEAR, extra=[other])
    assert "later.tf" in [source.name for source in ephemeris.sources]
    t = library_time(np.array([YEAR[0]]))
    plain = open_ephemeris(moon, *YEAR).orientation
    np.testing.assert_allclose(ephemeris.orientation.rotation_at(t), plain.rotation_at(t), atol=1e-15)


# ---------------------------------------------------------------- broken files


def spoil(content: bytes, how: str) -> bytes:
    if how == "cut short":
        return content[: len(content) // 2]
    if how == "cut in the header":
        return content[:700]
    if how == "junk":
        return np.random.default_rng(0).bytes(20_000)
    if how == "line ends changed":
        return content.replace(b"\r\n", b"\n")
    if how == "zeros after the header":
        return content[:1024] + bytes(len(content) - 1024)
    if how.startswith("end of data at"):
        return content[:84] + struct.pack("<i", int(how.split()[-1])) + content[88:]
    if how == "segments in a circle":
        (record,) = struct.unpack("<i", content[76:80])
        place = (record - 1) * 1024
        return content[:place] + struct.pack("<d", record) + content[place + 8 :]
    return how.encode()


@pytest.mark.parametrize(
    ("how", "says"),
    [
        ("cut short", "is damaged"),
        ("cut in the header", "is damaged"),
        ("junk", "is not a SPICE kernel"),
        ("line ends changed", "is damaged"),
        ("zeros after the header", "is damaged"),
        ("end of data at 2000000000", "it is cut short"),
        ("end of data at 3000", "beyond the end of the data"),
        ("segments in a circle", "leads out of the file"),
        ("KPL/PCK\n\\begindata\nBODY301_RADII = ( 1 1 1 )\n", "text kernel of the kind KPL/PCK"),
        ("DAFETF NAIF DAF ENCODED TRANSFER FILE\n", "transfer format"),
        ("KPL/FK\nno data at all\n", "it defines no frame"),
        ("KPL/FK\n\\begindata\nFRAME_X = = 3\n", "is damaged"),
        ("time_utc,optical_depth\n", "is not a SPICE kernel"),
        ("", "is empty"),
    ],
)
@pytest.mark.parametrize("kind", ["bsp", "bpc"])
def test_spoiled_files_give_one_clear_error(
    moon: Body, excerpt: Path, tmp_path: Path, how: str, says: str, kind: str
) -> None:
    good = excerpt if kind == "bsp" else ephemeris_folder() / BPC
    path = tmp_path / f"spoiled.{kind}"
    path.write_bytes(spoil(good.read_bytes(), how))
    with pytest.raises(InputError, match=re.escape(says)) as caught:
        open_ephemeris(moon, *YEAR, extra=[path])
    assert len(caught.value.problems) == 1
    assert f"spoiled.{kind}" in str(caught.value)


def test_all_broken_kernels_at_once(moon: Body, tmp_path: Path) -> None:
    (tmp_path / "ephemeris_cache").mkdir()
    for name in ("a.bsp", "b.tf"):
        (tmp_path / "ephemeris_cache" / name).write_bytes(b"nonsense")
    with pytest.raises(InputError) as caught:
        open_ephemeris(moon, *YEAR, extra=["absent.bsp", tmp_path])
    text = str(caught.value)
    assert len(caught.value.problems) == 4
    for piece in (
        "absent.bsp: does not exist",
        "is a folder",
        "a.bsp: is not a SPICE kernel",
        "b.tf: is not",
    ):
        assert piece in text


def test_values_that_are_not_numbers_are_refused(moon: Body, excerpt: Path, tmp_path: Path) -> None:
    content = bytearray(excerpt.read_bytes())
    middle = len(content) // 2 // 8 * 8
    content[1024 * 6 : middle * 2 - 1024 * 40] = np.full((middle * 2 - 1024 * 46) // 8, np.nan).tobytes()
    path = tmp_path / "hollow.bsp"
    path.write_bytes(content)
    with pytest.raises(InputError, match="is damaged"):
        open_ephemeris(moon, *YEAR, extra=[path])


def test_random_damage_to_the_directory_never_escapes(moon: Body, excerpt: Path, tmp_path: Path) -> None:
    """Whatever bytes stand in the records that lead to the data: an error of ours or an answer, and no endless loop."""
    good = excerpt.read_bytes()
    random = np.random.default_rng(42)
    path = tmp_path / "fuzzed.bsp"
    refused = 0
    for _ in range(150):
        content = bytearray(good)
        for place in random.integers(0, 1024 * 4, random.integers(1, 12)):
            content[place] = random.integers(0, 256)
        path.write_bytes(content)
        try:
            open_ephemeris(moon, *YEAR, extra=[path])
        except (InputError, DataMissing):
            refused += 1
    assert refused > 50


@pytest.mark.parametrize(
    ("spans", "missing_s"),
    [
        (((0.0, 10.0),), 0.0),
        (((0.0, 5.0), (5.0, 10.0)), 0.0),
        (((5.0, 10.0), (0.0, 6.0)), 0.0),
        (((0.0, 4.0), (6.0, 10.0)), 2.0),
        (((3.0, 20.0),), 1.0),
        (((20.0, 30.0),), 6.0),
        (((0.0, 1.0),), 6.0),
    ],
)
def test_coverage(spans: tuple[tuple[float, float], ...], missing_s: float) -> None:
    coverage = Coverage(spans)
    assert coverage.missing_s(2.0, 8.0) == missing_s
    assert coverage.covers(2.0, 8.0) == (missing_s == 0.0)
    assert not coverage.covers(-1.0, -1.0)


def test_relative_folder_is_the_working_directory(moon: Body, excerpt: Path, tmp_path: Path) -> None:
    (tmp_path / "k.bsp").write_bytes(excerpt.read_bytes())
    assert Path.cwd() == Path(os.path.realpath(tmp_path)) or Path.cwd() == tmp_path
    assert open_ephemeris(moon, *YEAR, extra=["k.bsp"]).sources[0].name == "k.bsp"
