"""What a terrain raster may rest on, and what damage to it is told: before anything is opened, in words, never as light."""

from __future__ import annotations

import socket
import threading
from pathlib import Path

import numpy as np
import pytest

from yieldsim.base.errors import InputError

rasterio = pytest.importorskip("rasterio")
pytest.importorskip("pyproj")

from rasterio.transform import Affine  # noqa: E402

from yieldsim.files.terrain.raster import open_raster, read_window  # noqa: E402
from yieldsim.files.terrain.raster_metadata import opened_raster  # noqa: E402

POLE = "+proj=stere +lat_0=-90 +R=1737400 +units=m"
SIZE, PIXEL_M = 96, 100.0
HALF_M = 0.5 * SIZE * PIXEL_M


def ground(size: int = SIZE) -> np.ndarray:
    return np.random.default_rng(8).normal(0.0, 20.0, (size, size)).astype(np.float32)


def write(path: Path, heights: np.ndarray, driver: str = "GTiff", **more: object) -> Path:
    place = Affine(PIXEL_M, 0.0, -HALF_M, 0.0, -PIXEL_M, HALF_M)
    rows, columns = heights.shape
    options = {"width": columns, "height": rows, "count": 1, "dtype": heights.dtype, "crs": POLE, **more}
    with rasterio.open(path, "w", driver=driver, transform=place, **options) as file:
        file.write(heights, 1)
    return path


def read_all(path: Path, body):
    raster = open_raster(path, body)
    return read_window(raster, 0, 0, raster.rows, raster.columns, 1)


def refused(path: Path, body, match: str) -> str:
    with pytest.raises(InputError, match=match) as caught:
        read_all(path, body)
    assert path.name.split(":")[0] in str(caught.value)
    return str(caught.value)


def virtual(source: str) -> str:
    return f"""<VRTDataset rasterXSize="{SIZE}" rasterYSize="{SIZE}"><SRS>{POLE}</SRS>
<GeoTransform>{-HALF_M}, {PIXEL_M}, 0, {HALF_M}, 0, {-PIXEL_M}</GeoTransform>
<VRTRasterBand dataType="Float32" band="1"><SimpleSource>
<SourceFilename relativeToVRT="0">{source}</SourceFilename><SourceBand>1</SourceBand>
</SimpleSource></VRTRasterBand></VRTDataset>"""


@pytest.fixture
def label(pds3_label):
    """A label over the ground of these tests, by the name of its image."""
    return lambda image: pds3_label(image, SIZE, SIZE, pixel_m=PIXEL_M, upper_left_m=(-HALF_M, HALF_M))


@pytest.fixture
def inside(tmp_path, monkeypatch):
    """A working folder, with ground outside it."""
    folder = tmp_path / "inside"
    folder.mkdir()
    monkeypatch.chdir(folder)
    write(tmp_path / "secret.tif", ground())
    (tmp_path / "secret.img").write_bytes(np.zeros((SIZE, SIZE), "<i2").tobytes())
    return folder


@pytest.mark.parametrize("name", ["dem.vrt", "dem.tif", "dem.img", "dem.lbl", "dem"])
@pytest.mark.parametrize(
    "source", ["../secret.tif", "good.tif", "nested.tif", "/vsicurl/http://127.0.0.1:9/x.tif"]
)
def test_virtual_rasters_are_refused_whatever_their_name(inside, moon, name, source):
    write(inside / "good.tif", ground())
    (inside / "nested.tif").write_text(virtual("good.tif"))
    (inside / name).write_text("  \n" + virtual(source))
    refused(inside / name, moon, "virtual raster")


@pytest.fixture
def listener():
    """A port of this machine that counts who asks."""
    asked: list[int] = []
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.1)
        over = threading.Event()

        def wait() -> None:
            while not over.is_set():
                try:
                    connection, _ = server.accept()
                except TimeoutError:
                    continue
                asked.append(1)
                connection.close()

        thread = threading.Thread(target=wait)
        thread.start()
        yield server.getsockname()[1], asked
        over.set()
        thread.join()


@pytest.mark.parametrize(
    "image", ["../secret.img", "{root}/secret.img", "/vsicurl/http://127.0.0.1:{port}/a.img", "http://127.0.0.1:{port}/a.img",
              "/vsizip//vsicurl/http://127.0.0.1:{port}/a.zip/a.img", "link.img"],
)  # fmt: skip
def test_labels_stay_in_their_folder_and_off_the_network(inside, moon, listener, image, label):
    port, asked = listener
    (inside / "link.img").symlink_to(inside.parent / "secret.img")
    named = image.format(root=inside.parent, port=port)
    (inside / "dem.lbl").write_text(label(named))
    refused(inside / "dem.lbl", moon, "lies outside|not a file here")
    assert not asked


def test_what_leads_elsewhere_beside_a_raster_is_refused(inside, moon, listener):
    port, asked = listener
    write(inside / "dem.tif", ground())
    (inside / "dem.tif.ovr").write_text(virtual(f"/vsicurl/http://127.0.0.1:{port}/a.tif"))
    refused(inside / "dem.tif", moon, "dem.tif.ovr beside it")
    (inside / "dem.tif.ovr").unlink()
    (inside / "dem.tif.aux.xml").write_text(
        '<PAMDataset><Metadata domain="OVERVIEWS">'
        f'<MDI key="OVERVIEW_FILE">/vsicurl/http://127.0.0.1:{port}/a.tif</MDI></Metadata></PAMDataset>'
    )
    refused(inside / "dem.tif", moon, "dem.tif.aux.xml beside it")
    (inside / "dem.tif.aux.xml").unlink()
    write(inside / "tagged.tif", ground())
    with rasterio.open(inside / "tagged.tif", "r+") as file:
        file.update_tags(ns="OVERVIEWS", OVERVIEW_FILE=f"/vsicurl/http://127.0.0.1:{port}/a.tif")
    refused(inside / "tagged.tif", moon, "names another file for its overviews")
    assert not asked


@pytest.mark.parametrize(
    "name", ["http://127.0.0.1:9/a.tif", "/vsicurl/http://127.0.0.1:9/a.tif", "zip://a.zip!a.tif"]
)
def test_no_name_is_an_address(inside, moon, name):
    with pytest.raises(InputError, match=r"not a file on this machine|does not exist"):
        open_raster(name, moon)


def test_labels_in_place_are_read(inside, moon, label):
    """The image in the label's folder, its case aside; in a folder below; and through the working directory."""
    heights = np.round(ground()).astype("<i2")
    (inside / "below").mkdir()
    for image in ("dem.img", "below/dem.img"):
        (inside / image).write_bytes(heights.tobytes())
        (inside / "dem.lbl").write_text(label(image))
        np.testing.assert_array_equal(read_all(inside / "dem.lbl", moon).heights_m, heights)
    np.testing.assert_array_equal(
        read_all(write(inside / "dem.xml", heights, "PDS4"), moon).heights_m, heights
    )


def cut(path: Path, share: float) -> Path:
    path.write_bytes(path.read_bytes()[: int(share * path.stat().st_size)])
    return path


@pytest.mark.parametrize("share", [0.0, 0.001, 0.3, 0.9, 0.995])
@pytest.mark.parametrize(
    "more", [{}, {"compress": "deflate"}, {"tiled": True, "blockxsize": 16, "blockysize": 16}]
)
def test_files_cut_short(inside, moon, share, more):
    refused(cut(write(inside / "dem.tif", ground(), **more), share), moon, "is damaged|is not a raster")


def test_files_damaged_in_the_middle_only(inside, moon):
    """The ends are sound: the damage shows when the window is read."""
    path = write(inside / "dem.tif", ground(), tiled=True, blockxsize=16, blockysize=16, compress="deflate")
    whole = bytearray(path.read_bytes())
    middle = len(whole) // 2
    whole[middle : middle + 3000] = bytes(3000)
    path.write_bytes(whole)
    refused(path, moon, r"dem.tif: is damaged: its pixels cannot be read \(")


def test_missing_tiles(inside, moon):
    """Without a nodata value a tile that was never written would be level ground at 0."""
    more = {"tiled": True, "blockxsize": 32, "blockysize": 32, "width": SIZE, "height": SIZE, "count": 1}
    place = Affine(PIXEL_M, 0.0, -HALF_M, 0.0, -PIXEL_M, HALF_M)
    for nodata in (None, -32768.0):
        with rasterio.open(
            inside / "dem.tif", "w", driver="GTiff", dtype="float32", crs=POLE, transform=place, SPARSE_OK=True,
            nodata=nodata, **more,
        ) as file:  # fmt: skip
            file.write(ground(64), 1, window=rasterio.windows.Window(0, 0, 64, 64))
        if nodata is None:
            refused(
                inside / "dem.tif", moon, "from row 64, column 64 on are missing|column 64 on are missing"
            )
        else:
            assert np.isnan(read_all(inside / "dem.tif", moon).heights_m[64:]).all()


def test_images_shorter_than_their_label(inside, moon, label):
    (inside / "dem.img").write_bytes(np.zeros((SIZE // 2, SIZE), "<i2").tobytes())
    (inside / "dem.lbl").write_text(label("dem.img"))
    refused(inside / "dem.lbl", moon, "is damaged|is not a raster")
    (inside / "dem.img").write_bytes(b"")
    refused(inside / "dem.lbl", moon, "is damaged|is not a raster")


@pytest.mark.parametrize("seed", range(40))
def test_no_damage_is_a_crash(inside, moon, seed):
    """Bytes changed at random anywhere: the file is read, or refused in words."""
    rng = np.random.default_rng(seed)
    path = write(inside / "dem.tif", ground(), compress="deflate" if seed % 2 else None)
    whole = bytearray(path.read_bytes())
    for at in rng.integers(0, len(whole) if seed % 4 < 2 else 600, 12):
        whole[at] = rng.integers(256)
    path.write_bytes(whole)
    told = "dem.tif"
    try:
        read_all(path, moon)
    except InputError as error:
        told = str(error)
    assert "dem.tif" in told


@pytest.mark.parametrize("value", [np.inf, -np.inf, -32768.0, -9999.0, 3.4e38, 11500.0, 6000.0])
@pytest.mark.parametrize("size", [1, 9])
def test_heights_that_no_ground_has(inside, moon, value, size):
    heights = ground()
    heights[40 : 40 + size, 31 : 31 + size] = value
    refused(write(inside / "dem.tif", heights), moon, r"at row 40, column 31 \(counted from 0\)")


def test_thinning_hides_no_impossible_height(inside, moon):
    heights = ground()
    heights[41, 30] = -32768.0
    raster = open_raster(write(inside / "dem.tif", heights), moon)
    with pytest.raises(InputError, match="row 41, column 30"):
        read_window(raster, 0, 0, 96, 96, 32)


def test_walls_and_craters_are_ground(inside, moon):
    """2 km straight up from a pixel to the next: no such cliff is known, and none is ruled out."""
    heights = ground()
    heights[20:30] += 2000.0
    assert np.nanmax(read_all(write(inside / "dem.tif", heights), moon).heights_m) > 1900.0


def test_exceptions_of_the_raster_library_are_told_by_their_package(inside, monkeypatch):
    """Some that come out of it have no public name; one of a program's own goes on."""
    path = write(inside / "dem.tif", ground())
    hidden = type("CPLE_AppDefinedError", (Exception,), {"__module__": "rasterio._err"})
    for kind, told in ((hidden, InputError), (ZeroDivisionError, ZeroDivisionError)):

        def failing(*_: object, kind: type[Exception] = kind, **__: object) -> None:
            raise kind("no such strip")

        monkeypatch.setattr("yieldsim.files.terrain.raster_metadata.refuse_far_files", failing)
        with pytest.raises(told, match="no such strip"), opened_raster(str(path), "dem.tif"):
            pass


def test_a_projection_that_cannot_be_computed(inside, moon):
    """A scale factor of 0 in the file's own keys, read by the library and refused by its transformations."""
    path = write(inside / "dem.tif", ground(), crs="+proj=tmerc +lat_0=-90 +k=0.5 +R=1737400 +units=m")
    content = path.read_bytes()
    scale = np.float64(0.5).tobytes()
    assert scale in content
    path.write_bytes(content.replace(scale, np.float64(0.0).tobytes()))
    refused(path, moon, "dem.tif: has a coordinate system that is not understood")
