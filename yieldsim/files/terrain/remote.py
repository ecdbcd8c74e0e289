"""Terrain read over the network, by windows, from a GeoTIFF whose address the user names; a cloud-optimised one is read fast.

An address comes from the words of a command or of a call of this package, never from a file: a site, a label or a raster that holds
one is refused. Nothing but that address is asked for, over http or https. A name and password in it are refused: results name it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from functools import cache
from http.client import HTTPException
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import unquote, urlsplit
from urllib.request import (
    HTTPDefaultErrorHandler,
    HTTPErrorProcessor,
    HTTPHandler,
    HTTPRedirectHandler,
    HTTPSHandler,
    OpenerDirector,
    ProxyHandler,
    Request,
)

from yieldsim.base.errors import DataMissing, InputError, Problem, refusal
from yieldsim.base.model import Source
from yieldsim.files.text.paths import path_given, several, shown

PATIENCE_S = 20
_SCHEME = re.compile(r"https?://", re.IGNORECASE)
_OTHER_SCHEME = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)


class Address(str):
    """The address of a GeoTIFF, as it was named."""

    __slots__ = ()

    @property
    def name(self) -> str:
        """Name of the file."""
        return PurePosixPath(unquote(urlsplit(self).path)).name or urlsplit(self).netloc

    @property
    def shown(self) -> str:
        """Without what stands behind a question mark, which may be a key."""
        return self.partition("?")[0]

    def options(self) -> dict[str, Any]:
        """Options of the raster library under which it asks for this address alone."""
        return {
            "CPL_VSIL_CURL_ALLOWED_FILENAME": f"/vsicurl/{self}",
            "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
            "GDAL_HTTP_MERGE_CONSECUTIVE_RANGES": "YES",
            "GDAL_HTTP_CONNECTTIMEOUT": str(PATIENCE_S),
            "GDAL_HTTP_LOW_SPEED_TIME": str(PATIENCE_S),
            "GDAL_HTTP_LOW_SPEED_LIMIT": "1",
            "GDAL_HTTP_MAX_RETRY": "3",
            "GDAL_HTTP_RETRY_DELAY": "1",
            "GDAL_HTTP_NETRC": "NO",
            "CPL_DEBUG": "OFF",
        }


Terrain = str | Path | Address


def named(terrain: Terrain) -> Terrain:
    """What a user names as terrain: text that is a web address becomes one. Raises InputError for one that can't be taken."""
    if isinstance(terrain, Path | Address):
        return terrain
    if not _SCHEME.match(terrain):
        if _OTHER_SCHEME.match(terrain):
            raise refusal(
                terrain.partition("?")[0],
                found="is an address of a kind that is not read",
                allowed="a path, or an address that begins with http:// or https://",
                hint="buckets are often served under an https:// address, too; or download the file",
            )
        return terrain
    address = Address(terrain)
    try:
        parts = urlsplit(address)
        has_user, host = "@" in parts.netloc, parts.hostname
    except ValueError:
        has_user, host = False, None
    if not host or not address.isprintable() or " " in address:
        raise InputError(Problem(address.shown, found="is no web address"))
    if has_user:
        shown_host = f"{parts.scheme}://{host}"
        raise InputError(
            Problem(shown_host, found="is named with a user", hint="results would hold name and password")
        )
    return address


def all_named(terrain: Iterable[Terrain]) -> tuple[Terrain, ...]:
    """Several. Raises InputError."""
    allowed = "paths or addresses of terrain files"
    given = several(terrain, "terrain", allowed)
    return tuple(named(one if isinstance(one, str) else path_given(one, "terrain", allowed)) for one in given)


def shown_name(terrain: Terrain) -> str:
    """As messages show it."""
    return terrain.shown if isinstance(terrain, Address) else shown(Path(terrain))


def absolute_name(terrain: Terrain) -> str:
    """Good from every working directory."""
    return terrain if isinstance(terrain, Address) else str(Path(terrain).absolute())


@cache
def asked_for(address: Address) -> tuple[int, str, str]:
    """Size, entity tag and day of change of the file at an address, as its server tells them.

    Raises InputError where there is no such file or no parts of it are given, DataMissing where the server can't be reached.
    """
    opener = OpenerDirector()
    # of http and https alone: no redirection leads to a file or elsewhere
    for handler in (ProxyHandler(), HTTPHandler(), HTTPSHandler(), HTTPRedirectHandler()):
        opener.add_handler(handler)
    opener.add_handler(HTTPErrorProcessor())
    opener.add_handler(HTTPDefaultErrorHandler())
    request = Request(address, headers={"Range": "bytes=0-0", "User-Agent": "yieldsim"})
    try:
        with opener.open(request, timeout=PATIENCE_S) as answer:
            status, headers = answer.status, answer.headers
    except HTTPError as error:
        error.close()
        found = f"is refused by its server: {error.code} {error.reason}"
        raise InputError(Problem(address.shown, found=found)) from None
    except (URLError, HTTPException, OSError, ValueError) as error:
        reason = " ".join(str(getattr(error, "reason", error)).split())
        raise DataMissing(f"{address.shown}: its server cannot be reached: {reason}") from None
    total = str(headers.get("Content-Range", "")).rpartition("/")[2]
    if status != 206 or not total.isdigit():
        hint = "download it and name the file"
        raise InputError(
            Problem(address.shown, found="lies on a server that gives whole files only", hint=hint)
        )
    return int(total), str(headers.get("ETag", "")), str(headers.get("Last-Modified", ""))


def remote_source(address: Address, role: str) -> Source:
    """An address as a source: known by what its server says of the file, which is never read whole."""
    size, tag, changed = asked_for(address)
    digest = hashlib.sha256("\n".join([address, str(size), tag, changed]).encode()).hexdigest()
    note = f"from {address.shown}; the digest is that of address, size, entity tag and day of change"
    return Source(role=role, name=address.name, sha256=digest, note=note)


def terrain_source(file: Path | Address) -> Source:
    """A terrain file, here or there, as a source. Raises InputError, DataMissing."""
    from yieldsim.files.output.provenance import file_source

    return remote_source(file, "terrain") if isinstance(file, Address) else file_source(file, "terrain")
