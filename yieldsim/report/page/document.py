"""One HTML file from its parts: nothing is fetched, nothing is stored, and names stay text.

The file forbids itself all it does not need by a Content-Security-Policy (W3C, level 3): scripts and styles are those of the
stated digests, pictures only those that the page makes, no connection at all.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from collections.abc import Mapping
from typing import Any

SCRIPTS = (
    *("unpack.js", "sky.js", "light.js", "dispatch.js", "state.js", "numbers.js", "colours.js"),
    *(
        "projection.js",
        "sky_background.js",
        "sky_view.js",
        "raster_view.js",
        "strip_view.js",
        "tables.js",
        "budget_view.js",
    ),
    *("exports.js", "main.js"),
)
"""In the order in which they are read; one scope holds them all."""
BODY, STYLE = "page.html", "page.css"
ASSETS = (BODY, STYLE, *SCRIPTS)


def document(title: str, data: Mapping[str, Any], arrays: str, assets: Mapping[str, str]) -> str:
    """The whole file.

    data     what the page tells and computes with, as JSON
    arrays   packed arrays as base64
    assets   text of each of ASSETS
    """
    script = '"use strict";\n(() => {\n' + "\n".join(assets[name] for name in SCRIPTS) + "\n})();\n"
    style = assets[STYLE]
    policy = (
        f"default-src 'none'; script-src '{_digest(script)}'; style-src '{_digest(style)}'; "
        "img-src data: blob:; base-uri 'none'; form-action 'none'"
    )
    return "".join(
        (
            '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">\n',
            '<meta name="viewport" content="width=device-width, initial-scale=1">\n',
            '<meta name="referrer" content="no-referrer">\n<meta name="color-scheme" content="light dark">\n',
            '<link rel="icon" href="data:,">\n',
            f"<title>{html.escape(title)}</title>\n<style>{style}</style>\n</head>\n<body>\n",
            assets[BODY],
            f'\n<script type="application/json" id="data">{script_json(data)}</script>\n',
            f'<script type="text/plain" id="arrays">{arrays}</script>\n',
            f"<script>{script}</script>\n</body>\n</html>\n",
        )
    )


def script_json(data: Mapping[str, Any]) -> str:
    """JSON that may stand in a script element: no text in it can end the element or begin another."""
    text = json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def framed(page: str, height_px: int) -> str:
    """The page inside a notebook: a frame that holds it, with no way out of it but a download or the clipboard."""
    return (
        f'<iframe title="live page" srcdoc="{html.escape(page)}" sandbox="allow-scripts allow-downloads" '
        f'allow="clipboard-write" style="width:100%;height:{height_px}px;border:1px solid #c4c4c4"></iframe>'
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
