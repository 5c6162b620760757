"""A self-contained page: text, tables and figures in one HTML file, light and dark, any width."""

import base64
import html
import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from geomscan import __version__

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["CAUTIONS", "INK", "Page", "new_figure"]

#: Colours that read on light and on dark ground alike (contrast over 3:1 on both).
INK = {
    "blue": "#3b82c4",
    "orange": "#d9772b",
    "green": "#3f9b62",
    "red": "#d1495b",
    "violet": "#8a6fd1",
    "grey": "#808890",
}

CAUTIONS = (
    "Laser light: keep eyes, mirrors and wet steel out of the fan; "
    "follow the laser's class (IEC 60825-1).",
    "Moving belts and blades: lock out and tag out before reaching in "
    "(for the US, 29 CFR 1910.147).",
    "Blocks and tools that touch the belt must be clean, unchipped and fit for food contact.",
    "A predicted mass is no weighing: legal-for-trade mass needs an approved instrument. "
    "This program's output is not a safety function. Local codes and licensed practice come first.",
)

_STYLE = """
:root{color-scheme:light dark;
--ground:#fff;--ink:#1d2329;--soft:#5c6670;--line:#d5dade;--panel:#f4f6f7;
--good:#1f7a45;--bad:#b3261e;--warn:#8a5a00}
@media (prefers-color-scheme:dark){:root{
--ground:#14181b;--ink:#e3e7ea;--soft:#9aa5ae;--line:#333b41;
--panel:#1c2226;--good:#6fcf97;--bad:#ff8a80;--warn:#e8b04a}}
*{box-sizing:border-box}
body{margin:0 auto;max-width:60rem;padding:1.2rem;background:var(--ground);color:var(--ink);
font:16px/1.5 system-ui,sans-serif}
h1{font-size:1.6rem;line-height:1.2;margin:.4rem 0}h2{font-size:1.2rem;margin:2rem 0 .5rem;
border-bottom:1px solid var(--line)}
p.lead{font-size:1.05rem}small,.soft{color:var(--soft)}
.table{overflow-x:auto}table{border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:.92rem}
th,td{padding:.25rem .5rem;text-align:right;border-bottom:1px solid var(--line);white-space:nowrap}
th:first-child,td:first-child{text-align:left}td.text{text-align:left;white-space:normal}
figure{margin:1rem 0}figure img,figure svg{max-width:100%;height:auto;display:block}
figcaption{color:var(--soft);font-size:.9rem}
.good{color:var(--good);font-weight:600}
.bad{color:var(--bad);font-weight:600}.warn{color:var(--warn)}
ul.cautions{background:var(--panel);
padding:.8rem 1rem .8rem 2rem;border-left:4px solid var(--warn)}
@media print{body{max-width:none;font-size:11pt}h2{break-after:avoid}
figure,table{break-inside:avoid}}
"""


def new_figure(width_in: float = 8.0, height_in: float = 4.0, **grid: Any) -> tuple["Figure", Any]:
    """Make a figure and its axes that suit light and dark ground; `grid` goes to `subplots`.

    No global state of the drawing library is touched, so pages can be made in threads.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained")
    axes = figure.subplots(**grid)
    figure.patch.set_alpha(0)
    for axis in axes.flat if hasattr(axes, "flat") else [axes]:
        axis.patch.set_alpha(0)
        axis.tick_params(colors=INK["grey"], labelsize=8)
        for label in (axis.xaxis.label, axis.yaxis.label, axis.title):
            label.set_color(INK["grey"])
            label.set_fontsize(9)
        for spine in axis.spines.values():
            spine.set_color(INK["grey"])
            spine.set_alpha(0.5)
        axis.grid(visible=False)
    return figure, axes


class Page:
    """Parts in order, rendered as one page; text is escaped, nothing is loaded from outside."""

    def __init__(self, title: str, lead: str = "") -> None:
        self.title = title
        self._parts: list[str] = []
        if lead:
            self._parts.append(f'<p class="lead">{html.escape(lead)}</p>')

    def heading(self, text: str) -> None:
        """Start a section."""
        self._parts.append(f"<h2>{html.escape(text)}</h2>")

    def text(self, text: str, *, kind: str = "") -> None:
        """Add a paragraph; kind "good", "bad", "warn" or "soft" colours it."""
        self._parts.append(f'<p class="{html.escape(kind)}">{html.escape(text)}</p>')

    def points(self, items: Sequence[str], *, kind: str = "") -> None:
        """Add a list."""
        rows = "".join(f"<li>{html.escape(item)}</li>" for item in items)
        self._parts.append(f'<ul class="{html.escape(kind)}">{rows}</ul>')

    def table(
        self, head: Sequence[str], rows: Sequence[Sequence[object]], *, caption: str = ""
    ) -> None:
        """Add a table; floats should come formatted."""
        top = "".join(f"<th>{html.escape(str(cell))}</th>" for cell in head)
        body = "".join("<tr>" + "".join(self._cell(cell) for cell in row) + "</tr>" for row in rows)
        note = f'<p class="soft">{html.escape(caption)}</p>' if caption else ""
        self._parts.append(
            f'<div class="table"><table><thead><tr>{top}</tr></thead>'
            f"<tbody>{body}</tbody></table></div>{note}"
        )

    def figure(self, figure: "Figure", caption: str, *, alternative: str = "") -> None:
        """Add a figure, vector where small, raster where it holds an image."""
        has_image = any(axis.images or axis.collections for axis in figure.axes)
        data = io.BytesIO()
        kind = "png" if has_image else "svg"
        # laid out once, not again for each time it is drawn
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        figure.savefig(data, format=kind, dpi=130, transparent=True)
        mime = "image/png" if has_image else "image/svg+xml"
        source = base64.b64encode(data.getvalue()).decode()
        words = html.escape(alternative or caption)
        self._parts.append(
            f'<figure><img alt="{words}" src="data:{mime};base64,{source}">'
            f"<figcaption>{html.escape(caption)}</figcaption></figure>"
        )

    def cautions(self) -> None:
        """Add the usual cautions."""
        self.heading("Cautions")
        self.points(CAUTIONS, kind="cautions")

    def render(self) -> str:
        """Give the whole page as HTML."""
        made = datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC")
        return (
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="viewport" content="width=device-width,initial-scale=1">'
            f"<title>{html.escape(self.title)}</title><style>{_STYLE}</style></head><body>"
            f"<h1>{html.escape(self.title)}</h1>{''.join(self._parts)}"
            f"<p><small>geomscan {__version__}, made {made}</small></p></body></html>\n"
        )

    @staticmethod
    def _cell(cell: object) -> str:
        text = str(cell)
        kind = ' class="text"' if len(text) > 40 else ""  # prose wraps, figures do not
        return f"<td{kind}>{html.escape(text)}</td>"
