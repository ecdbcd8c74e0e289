"""The finished page: text of one HTML file, shown in a notebook or written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

FRAME_HEIGHT_PX = 900


@dataclass(frozen=True, slots=True)
class Page:
    """One HTML file that needs nothing else.

    html    its text
    title   of the estimate that it shows
    """

    html: str
    title: str

    def save(self, path: str | Path) -> Path:
        """Write it, whole or not at all; where it is. Raises InputError for a name that no page can have, WriteFailed."""
        from yieldsim.files.output.atomic_write import refuse_page_name, write_text_whole

        target = Path(path)
        refuse_page_name(target)
        write_text_whole(target, self.html)
        return target

    def _repr_html_(self) -> str:
        """Shown where a notebook's cell ends in it."""
        from yieldsim.report.page.document import framed

        return framed(self.html, FRAME_HEIGHT_PX)

    def __repr__(self) -> str:
        """Short: the text is a megabyte."""
        return f"<Page: {self.title}, {len(self.html) / 1e6:.2f} MB>"
