"""Which files a terrain raster rests on, looked at before the raster library opens anything.

A label names the image it belongs to, and the library would follow any name: to another folder, into an archive, over the network.
So labels are read here first, and every file they name must lie where a file named in an input file may lie: under the label's own
folder or the working directory. Virtual rasters, which are nothing but such names, are refused by their content, whatever they
are called, and so are files beside the raster (overviews, masks) that are no image themselves.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from yieldsim.base.errors import InputError, Problem
from yieldsim.files.text.paths import named_path

DRIVERS = (
    "GTiff", "PDS", "PDS4", "ISIS3", "ISIS2", "VICAR", "netCDF", "ENVI", "EHdr", "AAIGrid", "HFA", "SRTMHGT",
    "USGSDEM", "JP2OpenJPEG",
)  # fmt: skip
"""Kinds of files that hold their own pixels, or have them beside a label: the library's names of them."""
CLOSED_NETWORK = {
    # an extension that no file has: nothing may be fetched
    "CPL_VSIL_CURL_ALLOWED_EXTENSIONS": "{noext-nothing-is-fetched}",
    "GDAL_HTTP_MAX_RETRY": "0",
    "GDAL_HTTP_TIMEOUT": "1",
    "CPL_DEBUG": "OFF",
}
"""Options of the raster library under which it asks nothing of the network."""
LABEL_BYTES = 1 << 20
"""Labels end within this; those attached to an image stand at its beginning."""
BESIDE = (".ovr", ".msk", ".rrd", ".aux", ".OVR", ".MSK", ".RRD", ".AUX")

_POINTER = re.compile(r"\^\s*\w+\s*=\s*\(?\s*(?P<value>\"[^\"]*\"|'[^']*'|[^\s,()<]+)")
_NAMED = re.compile(
    r"\b(?:FILE_NAME|COMPRESSED_FILE_NAME|FileName|File_Name)\s*=\s*(?P<value>\"[^\"]*\"|'[^']*'|[^\s,()<]+)",
    re.IGNORECASE,
)
_TAGGED = re.compile(
    r"<(?:\w+:)?(?:file_name|SourceFilename|SourceDataset)\b[^>]*>(?P<value>[^<]*)<", re.IGNORECASE
)
_MARKUP = re.compile(rb"^(?:\xef\xbb\xbf)?\s*<[A-Za-z?!]")
_OUTSIDE = re.compile(r"^(?:/vsi|[A-Za-z][A-Za-z0-9+.-]*://)|^[A-Za-z0-9]+:.*[/\\\"]", re.IGNORECASE)


def refuse_sources(file: Path, where: str) -> None:
    """Raise InputError when a raster, its label or a file beside it names what it must not. Opens plain files only."""
    head = _head(file, where)
    if _MARKUP.match(head) and not _is_pds4(head):
        raise InputError(
            Problem(
                where,
                found="is a virtual raster or another file of names: it holds no heights",
                allowed="GeoTIFF, PDS3 or PDS4 image with its label, NetCDF",
                hint="write its heights into a GeoTIFF",
            )
        )
    problems = []
    for name in dict.fromkeys(_names(head)):
        try:
            if _OUTSIDE.match(name):
                raise InputError(
                    Problem("", found=f'names "{name}", which is not a file here', allowed="a file beside it")
                )
            named = named_path(name, file)
        except InputError as error:
            fault = error.problems[0]
            # the library finds an image under other spellings of its name too; what isn't there it can't follow
            if "does not exist" not in fault.found:
                problems.append(Problem(where, "", fault.found, fault.allowed, fault.hint))
            continue
        if named.resolve() != file.resolve() and _is_markup_text(_head(named, where)):
            problems.append(Problem(where, found=f'names "{name}", which is a virtual raster, no image'))
    for beside in _files_beside(file):
        start = _head(beside, where)
        if _is_markup_text(start) or _names_overviews(start):
            problems.append(
                Problem(
                    where,
                    found=f"has {beside.name} beside it, which names other files instead of holding pixels",
                    hint="take it away",
                )
            )
    if _is_tiff(head) and _names_overviews(head):
        problems.append(Problem(where, found="names another file for its overviews"))
    if problems:
        raise InputError(problems)


def refuse_far_files(files: list[str], file: Path, where: str) -> None:
    """Raise InputError when a raster that has been opened rests on files outside its folder and the working directory."""
    roots = (file.parent.resolve(), Path.cwd().resolve())
    for name in files:
        at = Path(name)
        if at.absolute() == file.absolute():
            continue
        if "://" in name or name.startswith("/vsi") or not any(at.resolve().is_relative_to(r) for r in roots):
            raise InputError(
                Problem(
                    where,
                    found=f'rests on "{name}", which lies outside its folder and the working directory',
                    allowed="a file under either",
                )
            )


def _names(head: bytes) -> Iterator[str]:
    """Files that a label names; none for an image without one."""
    if _is_tiff(head) or head[:4] in (b"\x89HDF", b"CDF\x01", b"CDF\x02", b"CDF\x05"):
        return
    text = head.decode("latin-1")
    if _is_pds4(head):
        patterns: tuple[re.Pattern[str], ...] = (_TAGGED,)
    elif re.search(r"PDS_VERSION_ID|IsisCube|CCSD3|\^\s*(?:IMAGE|QUBE|CORE)", text[:4096], re.IGNORECASE):
        patterns = (_POINTER, _NAMED)
    else:
        return
    for pattern in patterns:
        for match in pattern.finditer(text):
            name = match["value"].strip().strip("\"'").strip()
            if name and not re.fullmatch(r"[\d.]+", name) and "\n" not in name and name.isprintable():
                yield name


def _files_beside(file: Path) -> list[Path]:
    """Overviews, masks and notes that the library reads with a raster."""
    paths = [file.with_name(file.name + ending) for ending in (*BESIDE, ".aux.xml", ".AUX.XML")]
    paths += [file.with_suffix(ending) for ending in (*BESIDE, ".aux.xml")]
    return [
        path
        for path in dict.fromkeys(paths)
        if path.is_file()
        and path != file
        and (not path.name.lower().endswith(".aux.xml") or _names_files(path))
    ]


def _names_files(notes: Path) -> bool:
    """Whether a file of notes beside a raster leads elsewhere; statistics and coordinate systems are well."""
    return _names_overviews(_head(notes, str(notes)))


def _names_overviews(head: bytes) -> bool:
    # a search that minds no case takes five times as long, at every opening
    return b"OVERVIEW_FILE" in head.upper()


def _is_pds4(head: bytes) -> bool:
    return b"<Product_" in head[:65536] and b"pds.nasa.gov" in head[:65536]


def _is_tiff(head: bytes) -> bool:
    return head[:4] in (b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+")


def _is_markup_text(head: bytes) -> bool:
    """Markup, and not pixels that happen to begin like it."""
    start = head[:64]
    return bool(_MARKUP.match(start)) and all(byte in b"\t\r\n" or 32 <= byte < 127 for byte in start[3:])


def _head(file: Path, where: str) -> bytes:
    try:
        with file.open("rb") as opened:
            return opened.read(LABEL_BYTES)
    except OSError as error:
        raise InputError(Problem(where, found=f"cannot be read: {error.strerror}")) from None
