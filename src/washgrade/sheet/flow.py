"""Pages of text and tables, filled from the top; a row is never torn apart."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from washgrade.sheet.ink import BOLD, PLAIN, Paper, colour, fit, wrap
from washgrade.sheet.margins import MARGIN_PT, draw_banner, draw_title
from washgrade.sheet.scale import POINT_MM
from washgrade.sheet.view import SheetView

__all__ = ["Column", "Flow"]

MM = 1.0 / POINT_MM
_FOOT_PT = 8.0 * MM


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of a table.

    Parameters
    ----------
    head : str
        What stands above it.
    share : float
        Its share of the width, 0 to 1.
    right : bool
        Whether its cells are numbers, which stand to the right.
    """

    head: str
    share: float
    right: bool = False


class Flow:
    """Text that runs over upright pages.

    Parameters
    ----------
    paper : Paper
        Where to draw.
    view : SheetView
        What is shown: title, day, units, whether the place is invented.
    page_pt : tuple of float
        Width and height of a page, points.
    heading : str
        What stands at the top of each page.
    """

    def __init__(self, paper: Paper, view: SheetView, page_pt: tuple[float, float], heading: str) -> None:
        self.paper = paper
        self.view = view
        self.page_pt = page_pt
        self.heading = heading
        self.left_pt = MARGIN_PT
        self.width_pt = page_pt[0] - 2 * self.left_pt
        self.top_pt = 0.0
        self._begin()

    def _begin(self) -> None:
        paper, (width, height) = self.paper, self.page_pt
        paper.setPageSize((width, height))
        base = height - MARGIN_PT - 6.0 * MM
        room = self.width_pt
        if self.view.invented:
            room -= draw_banner(paper, width - self.left_pt, base) + 8.0
        draw_title(paper, f"{self.view.title}: {self.heading}", self.left_pt, base, room)
        paper.setLineWidth(0.8)
        paper.setDash()
        paper.setStrokeColor(colour("#000000"))
        paper.line(self.left_pt, base - 6, width - self.left_pt, base - 6)
        self.top_pt = base - 16

    def end(self) -> None:
        """Finish the last page, with lines for notes where room is left."""
        if self.top_pt - MARGIN_PT - _FOOT_PT > 60.0:
            self.space(8.0)
            self.head("Notes")
            while self.top_pt - 20.0 >= MARGIN_PT + _FOOT_PT:
                self.space(20.0)
                self.paper.setStrokeColor(colour("#999999"))
                self.paper.setLineWidth(0.3)
                self.paper.line(self.left_pt, self.top_pt, self.left_pt + self.width_pt, self.top_pt)
        self.paper.showPage()

    def need(self, height_pt: float) -> bool:
        """Begin another page unless so much room is left.

        Parameters
        ----------
        height_pt : float
            Points.

        Returns
        -------
        bool
            True when another page was begun.
        """
        if self.top_pt - height_pt >= MARGIN_PT + _FOOT_PT:
            return False
        self.paper.showPage()
        self._begin()
        return True

    def space(self, height_pt: float) -> None:
        """Leave some room.

        Parameters
        ----------
        height_pt : float
            Points.
        """
        self.top_pt -= height_pt

    def head(self, text: str) -> None:
        """Write a heading.

        Parameters
        ----------
        text : str
            On one line.
        """
        self.need(40.0)
        self.top_pt -= 11.0
        self.paper.setFillColor(colour("#000000"))
        self.paper.setFont(BOLD, 9.5)
        self.paper.drawString(self.left_pt, self.top_pt, fit(text, BOLD, 9.5, self.width_pt))
        self.top_pt -= 5.0

    def text(self, text: str, *, lead: str = "", size_pt: float = 8.0) -> None:
        """Write a paragraph.

        Parameters
        ----------
        text : str
            What to write.
        lead : str
            Bold words before it.
        size_pt : float, default 8
            Size of the letters, points.
        """
        step = 1.28 * size_pt
        indent = 0.0
        if lead:
            indent = 66.0
        lines = wrap(text, PLAIN, size_pt, self.width_pt - indent)
        self.need(step * len(lines) + 2)
        self.paper.setFillColor(colour("#000000"))
        for number, line in enumerate(lines):
            self.top_pt -= step
            if lead and not number:
                self.paper.setFont(BOLD, size_pt)
                self.paper.drawString(self.left_pt, self.top_pt, fit(lead, BOLD, size_pt, indent - 4))
            self.paper.setFont(PLAIN, size_pt)
            self.paper.drawString(self.left_pt + indent, self.top_pt, line)
        self.top_pt -= 2.5

    def blanks(self, parts: Sequence[tuple[str, float]], *, step_pt: float = 19.0) -> None:
        """Write words with lines to fill in behind them, side by side.

        Parameters
        ----------
        parts : sequence of (str, float)
            The words, and which share of the width they have with their line.
        step_pt : float, default 19
            Height of the row: room to write, points.
        """
        self.need(step_pt)
        self.top_pt -= step_pt
        left = self.left_pt
        for words, share in parts:
            room = share * self.width_pt - 8.0
            self.blank(words, left, self.top_pt, room)
            left += share * self.width_pt

    def blank(
        self, words: str, left_pt: float, base_pt: float, width_pt: float, size_pt: float = 8.0
    ) -> None:
        """Write words and the line to fill in behind them.

        Parameters
        ----------
        words : str
            What is asked.
        left_pt, base_pt, width_pt : float
            Where the words begin, their baseline, and the width with the line, points.
        size_pt : float, default 8
            Size of the letters, points.
        """
        from washgrade.sheet.ink import text_width_pt

        self.paper.setFillColor(colour("#000000"))
        self.paper.setFont(PLAIN, size_pt)
        self.paper.drawString(left_pt, base_pt, words)
        begin = left_pt + text_width_pt(words, PLAIN, size_pt) + 3.0
        self.paper.setStrokeColor(colour("#000000"))
        self.paper.setLineWidth(0.4)
        self.paper.setDash()
        self.paper.line(begin, base_pt - 1.5, left_pt + width_pt, base_pt - 1.5)

    def tick(self, left_pt: float, base_pt: float, size_pt: float = 8.0) -> None:
        """Draw a box to tick.

        Parameters
        ----------
        left_pt, base_pt : float
            Its lower left corner, points.
        size_pt : float, default 8
            Its side, points.
        """
        self.paper.setStrokeColor(colour("#000000"))
        self.paper.setLineWidth(0.8)
        self.paper.setDash()
        self.paper.rect(left_pt, base_pt, size_pt, size_pt, stroke=1, fill=0)

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        *,
        size_pt: float = 7.2,
        under: Callable[[int, float], None] | None = None,
        under_pt: Sequence[float] = (),
    ) -> None:
        """Write a table; its heads stand again on each further page.

        Parameters
        ----------
        columns : sequence of Column
            Heads and widths.
        rows : sequence of sequence of str
            Cells; long ones run over several lines.
        size_pt : float, default 7.2
            Size of the letters, points.
        under : callable, optional
            Draws something of its own under a row: takes the row and the top of its room, points.
        under_pt : sequence of float
            Height of that room for each row, points; empty for none.
        """
        self._heads(columns, size_pt)
        step, pad = 1.25 * size_pt, 5.0
        for number, row in enumerate(rows):
            cells = [
                wrap(cell, PLAIN, size_pt, column.share * self.width_pt - 2 * 2.5)
                for cell, column in zip(row, columns, strict=True)
            ]
            lines = max(len(cell) for cell in cells)
            room_pt = under_pt[number] if under_pt else 0.0
            if self.need(lines * step + pad + room_pt):
                self._heads(columns, size_pt)
            left, top = self.left_pt, self.top_pt
            for cell, column in zip(cells, columns, strict=True):
                room = column.share * self.width_pt
                self.paper.setFillColor(colour("#000000"))
                self.paper.setFont(PLAIN, size_pt)
                for place, line in enumerate(cell):
                    base = top - 2.0 - size_pt - place * step + 1.0
                    if column.right:
                        self.paper.drawRightString(left + room - 2.5, base, line)
                    else:
                        self.paper.drawString(left + 2.5, base, line)
                left += room
            self.top_pt -= lines * step + pad - 1.0
            if under is not None:
                under(number, self.top_pt)
                self.top_pt -= room_pt
            self.paper.setStrokeColor(colour("#999999"))
            self.paper.setLineWidth(0.3)
            self.paper.setDash()
            self.paper.line(self.left_pt, self.top_pt, self.left_pt + self.width_pt, self.top_pt)
        self.top_pt -= 4.0

    def _heads(self, columns: Sequence[Column], size_pt: float) -> None:
        step = 1.2 * size_pt
        cells = [
            wrap(column.head, BOLD, size_pt, column.share * self.width_pt - 2 * 2.5) for column in columns
        ]
        lines = max(len(cell) for cell in cells)
        self.need(lines * step + 40.0)
        left = self.left_pt
        self.paper.setFont(BOLD, size_pt)
        self.paper.setFillColor(colour("#000000"))
        for cell, column in zip(cells, columns, strict=True):
            room = column.share * self.width_pt
            for place, line in enumerate(cell):
                base = self.top_pt - size_pt - place * step
                if column.right:
                    self.paper.drawRightString(left + room - 2.5, base, line)
                else:
                    self.paper.drawString(left + 2.5, base, line)
            left += room
        self.top_pt -= lines * step + 3.5
        self.paper.setStrokeColor(colour("#000000"))
        self.paper.setLineWidth(0.7)
        self.paper.setDash()
        self.paper.line(self.left_pt, self.top_pt, self.left_pt + self.width_pt, self.top_pt)
