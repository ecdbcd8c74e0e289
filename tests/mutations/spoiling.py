"""Seeded ways to spoil a file: text, bytes, and saved estimates by their variables, attributes and JSON."""

from __future__ import annotations

import contextlib
import copy
import json
import math
import random
import re
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np

LONG_TEXT = 100_000

NUMBERS = (
    "nan", "inf", "-inf", "1e308", "-1e308", "1e999", "-0.0", "0", "-1", "1", "2", "1e-320", "1e-9", "0.5", "90", "360",
    "1e6", "1000000", "1e-300", "1e-12", "1e9", "89.9999999999", "180", "-90", "0.05", "0.25", "100", "1000",
    "5000", "99999999999999999999999", "1" + "0" * 400, "0x7fffffffffffffff", "9223372036854775807", "1_000",
)  # fmt: skip
WORDS = (
    '""', '" "', '"x"', '"\\u0000"', '"\\u001b[31m"', '"\\u202e"', '"' + "n" * 300 + '"', '"é' * 1 + "😀" * 100 + '"',
    '"../../etc/passwd"', '"/etc/passwd"', '"/dev/zero"', '"."', '"/"', '"moon"', '"MARS"', '"always"', '"24-24"', '"utc"',
    "true", "false", "[]", "{}", "[[]]", "[{}]", "[1, 2]", '["a", 1]', "{ a = 1 }", "[nan, inf]", "2027-01-02",
    "2027-01-02T00:00:00Z", "2027-01-02T00:00:00+14:00", "0001-01-01", "9999-12-31T23:59:59", "12:00:00",
    '"2027-01-01T00:00:00-23:59"', '"2016-12-31T23:59:60"', "[" * 200 + "]" * 200, '"""', "'", "",
)  # fmt: skip
CELLS = (
    "nan", "inf", "", " ", "x", "-1", "0", "1e308", "-1e308", "1e-320", "-0", "360", "90", '"', "1,2", "é", "\u0000",
    "2027-01-01", "2027-01-01T00:00:00+05:00", "9999-12-31", "1" * 500, "0x10", "1_0", "٣",
)  # fmt: skip
_VALUE = re.compile(r"(?<==)\s*[^#\n]+")
_NUMBER = re.compile(r"(?<![\w.])[-+]?\d+\.?\d*(?:e[-+]?\d+)?(?![\w.])")
_KEY = re.compile(r"^\s*([A-Za-z_0-9]+)\s*=", re.MULTILINE)

Spoil = Callable[[random.Random, str], str]


def _one_of(matches: list[re.Match[str]], rng: random.Random) -> re.Match[str] | None:
    return rng.choice(matches) if matches else None


def _put(text: str, match: re.Match[str] | None, new: str) -> str:
    return text if match is None else text[: match.start()] + new + text[match.end() :]


def number_changed(rng: random.Random, text: str) -> str:
    """Any number of the text becomes an extreme one."""
    return _put(text, _one_of(list(_NUMBER.finditer(text)), rng), rng.choice(NUMBERS))


def number_scaled(rng: random.Random, text: str) -> str:
    """Any number times a power of ten, or its negative."""
    match = _one_of(list(_NUMBER.finditer(text)), rng)
    if match is None:
        return text
    factor = rng.choice((-1.0, 1e-9, 1e-4, 0.01, 0.1, 0.9, 1.1, 2.0, 10.0, 100.0, 1e5, 1e9))
    return _put(text, match, repr(float(match.group()) * factor))


def numbers_stirred(rng: random.Random, text: str) -> str:
    """Every number, or many of them, by a factor of its own: much of it stays allowed, at the ends of what is."""
    factors = (1.0, 1.0, 1.0, 0.5, 2.0, 0.1, 10.0, 1e-3, 1e3, 1e-6)
    steady = rng.choice((0.3, 0.7, 0.95))

    def stirred(match: re.Match[str]) -> str:
        if rng.random() < steady:
            return match.group()
        value = float(match.group()) * rng.choice(factors)
        return str(round(value)) if "." not in match.group() and abs(value) < 1e15 else repr(value)

    return _NUMBER.sub(stirred, text)


def value_changed(rng: random.Random, text: str) -> str:
    """The value of any key becomes one of any type."""
    return _put(text, _one_of(list(_VALUE.finditer(text)), rng), " " + rng.choice(WORDS + NUMBERS))


def line_gone(rng: random.Random, text: str) -> str:
    """A line is missing."""
    lines = text.split("\n")
    del lines[rng.randrange(len(lines))]
    return "\n".join(lines)


def line_twice(rng: random.Random, text: str) -> str:
    """A line stands twice, the second time anywhere."""
    lines = text.split("\n")
    lines.insert(rng.randrange(len(lines) + 1), rng.choice(lines))
    return "\n".join(lines)


def block_twice(rng: random.Random, text: str) -> str:
    """Lines from one to another stand several times."""
    lines = text.split("\n")
    a, b = sorted((rng.randrange(len(lines) + 1), rng.randrange(len(lines) + 1)))
    return "\n".join(lines[:b] + lines[a:b] * rng.choice((1, 1, 2, 30)) + lines[b:])


def key_renamed(rng: random.Random, text: str) -> str:
    """A key has another key's name, or one of its own."""
    keys = list(_KEY.finditer(text))
    match = _one_of(keys, rng)
    if match is None:
        return text
    name = rng.choice((rng.choice(keys).group(1), match.group(1)[:-1] or "q", "zebra", '"clé"', "a.b"))
    return text[: match.start(1)] + name + text[match.end(1) :]


def cell_changed(rng: random.Random, text: str) -> str:
    """A cell of a table, or what stands between two commas of a list."""
    places = [i for i, letter in enumerate(text) if letter in ",\n"]
    if not places:
        return text
    at = rng.randrange(len(places))
    end = places[at + 1] if at + 1 < len(places) else len(text)
    return text[: places[at] + 1] + rng.choice(CELLS + NUMBERS) + text[end:]


def letters_changed(rng: random.Random, text: str) -> str:
    """Letters anywhere are replaced by others."""
    at = rng.randrange(len(text) + 1)
    new = rng.choice(
        (
            "",
            "\n",
            "\t",
            "#",
            '"',
            "[",
            "]",
            "=",
            ",",
            "é",
            "\u2028",
            "\x1b[2J",
            "\x7f",
            "\ufeff",
            "0",
            "9",
            "e",
            ".",
        )
    )
    return text[:at] + new + text[at + rng.choice((0, 1, 1, 5)) :]


def cut_short(rng: random.Random, text: str) -> str:
    """The file ends early."""
    return text[: rng.randrange(len(text) + 1)]


TEXT_SPOILS: tuple[Spoil, ...] = (
    number_changed, number_changed, numbers_stirred, numbers_stirred, number_scaled, number_scaled, number_scaled,
    value_changed, value_changed, line_gone, line_twice, block_twice, key_renamed, cell_changed, letters_changed, cut_short,
)  # fmt: skip
DOUBLES = (math.nan, math.inf, -math.inf, 1e308, -1e308, -0.0, 0.0, 1.0, -1.0, 1e18, 2.0**31, 3.0, 5e-324)


def bytes_spoilt(rng: random.Random, content: bytes) -> bytes:
    """Flipped bits, stretches gone, doubled or zeroed, extreme numbers on their places."""
    data = bytearray(content)
    for _ in range(rng.choice((1, 1, 1, 2, 4, 16))):
        if not data:
            break
        # headers and directories lie at the ends: half of the faults are there
        size = len(data)
        at = rng.choice(
            (rng.randrange(size), rng.randrange(min(size, 2048)), size - 1 - rng.randrange(min(size, 2048)))
        )
        kind = rng.randrange(8)
        if kind <= 2:
            data[at] ^= 1 << rng.randrange(8)
        elif kind == 3:
            del data[at : at + rng.choice((1, 8, 100, 5000))]
        elif kind == 4:
            data[at : at + rng.choice((4, 8, 64))] = bytes(rng.choice((4, 8, 64)))
        elif kind == 5:
            word = at // 8 * 8
            data[word : word + 8] = struct.pack(rng.choice("<>") + "d", rng.choice(DOUBLES))
        elif kind == 6:
            word = at // 4 * 4
            data[word : word + 4] = struct.pack(
                "<i", rng.choice((-1, 0, 1, 2, 2**31 - 1, -(2**31), rng.randrange(1000)))
            )
        else:
            del data[at:]
    return bytes(data)


def text_spoilt(rng: random.Random, content: bytes) -> bytes:
    """One to four faults of text; sometimes of bytes."""
    if rng.random() < 0.1:
        return bytes_spoilt(rng, content)
    text = content.decode("utf-8")
    for _ in range(rng.choice((1, 1, 1, 2, 3, 4, 6))):
        text = rng.choice(TEXT_SPOILS)(rng, text)
    return text.encode("utf-8", "surrogatepass")[: 4 * LONG_TEXT]


JSON_VALUES = (
    None, True, "", "x", [], {}, [None], {"a": 1}, 0, -1, 1e308, -0.0, 10**400, "2027-01-01T00:00:00Z",
    "9999-99-99T99:99:99Z", "0001-01-01T00:00:00Z", math.nan, math.inf, "\x1b[31m", "n" * 400,
)  # fmt: skip


def json_spoilt(rng: random.Random, text: str) -> str:
    """One place of a JSON document replaced, missing or doubled."""
    if rng.random() < 0.2:
        return text_spoilt(rng, text.encode()).decode("utf-8", "replace")
    whole = json.loads(text)
    at = copy.deepcopy(whole)
    root = at
    while True:
        keys: list[Any] = list(at) if isinstance(at, dict) else list(range(len(at)))
        if not keys:
            return json.dumps(root)
        key = rng.choice(keys)
        if isinstance(at[key], dict | list) and rng.random() < 0.8:
            at = at[key]
            continue
        if rng.random() < 0.25:
            del at[key]
        elif isinstance(at, list) and rng.random() < 0.3:
            at.append(copy.deepcopy(at[key]))
        elif isinstance(at[key], int | float) and not isinstance(at[key], bool) and rng.random() < 0.5:
            at[key] = at[key] * rng.choice((-1.0, 0.0, 1e-12, 10.0, 1e9, 1e300))
        else:
            at[key] = rng.choice(JSON_VALUES)
        return json.dumps(root)


def estimate_spoilt(rng: random.Random, path: Path) -> None:
    """A saved estimate with values, variables, types, attributes or the length of time altered."""
    if rng.random() < 0.3:
        path.write_bytes(bytes_spoilt(rng, path.read_bytes()))
        return
    made = path.with_suffix(".made")
    kind = rng.randrange(9)
    with netCDF4.Dataset(path) as old, netCDF4.Dataset(made, "w") as new:
        old.set_auto_maskandscale(False)
        names = list(old.variables)
        chosen = rng.choice(names)
        sizes = {name: len(dim) for name, dim in old.dimensions.items()}
        if kind == 0:
            dim = rng.choice(list(sizes))
            sizes[dim] = rng.choice((0, 1, 2, max(sizes[dim] - 1, 0)))
        for name, size in sizes.items():
            new.createDimension(name, size or (0 if kind != 0 else None))
        for name, variable in old.variables.items():
            if kind == 1 and name == chosen:
                continue
            kept = tuple(slice(0, sizes[dim]) for dim in variable.dimensions)
            values, dims, dtype = np.array(variable[kept]), variable.dimensions, variable.dtype
            if name == chosen:
                if kind == 2:
                    dtype = rng.choice(("f4", "i1", "i4", "u8", "i2", "S1", str))
                elif kind == 3 and dims:
                    dims, values = (), values.ravel()[:1].reshape(()) if values.size else np.zeros(())
                elif kind in (4, 5) and values.size and values.dtype != object:
                    values = _altered(rng, values)
            with contextlib.suppress(ValueError, TypeError, OverflowError):
                out = new.createVariable(name, dtype, dims)
                out.set_auto_maskandscale(False)
                with np.errstate(all="ignore"):
                    if dtype is str:
                        values = values.astype(str).astype(object)
                    out[...] = values
                attrs = variable.__dict__
                if kind == 6 and name == chosen and attrs:
                    key = rng.choice(list(attrs))
                    attrs = {
                        **attrs,
                        key: rng.choice(("", "kW", "days since 1-1-1", 3, np.nan, "x" * 300, "noleap")),
                    }
                for key, value in attrs.items():
                    if key != "_FillValue":
                        out.setncattr(key, value)
        attrs = dict(old.__dict__)
        if kind == 7:
            attrs["summary"] = json_spoilt(rng, attrs["summary"])
        elif kind == 8:
            key = rng.choice(list(attrs))
            attrs[key] = rng.choice(
                ("", "x", 0, -1.0, np.nan, np.inf, 1e300, [1.0, 2.0], "{}", "[]", "null", 3.5, "3600")
            )
            if rng.random() < 0.3:
                del attrs[key]
        for key, value in attrs.items():
            new.setncattr(key, value)
    made.replace(path)


def _altered(rng: random.Random, values: Any) -> Any:
    values = values.copy()
    flat = values.reshape(-1)
    if values.dtype.kind == "f":
        new = rng.choice((math.nan, math.inf, -math.inf, 1e308, -1.0, 0.0, -0.0, 1e-320, 1e9, 400.0))
    else:
        new = rng.choice((0, -1, 1, np.iinfo(values.dtype).max, np.iinfo(values.dtype).min, int(flat[0])))
    if rng.random() < 0.3:
        flat[:] = new
    elif rng.random() < 0.2:
        flat[:] = flat[::-1].copy()
    else:
        flat[rng.randrange(len(flat))] = new
    return values
