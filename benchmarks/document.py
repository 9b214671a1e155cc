"""Put measured tables into a document whose words are written by hand."""

from __future__ import annotations

from pathlib import Path


def written(document: Path, marks: dict[str, list[str]]) -> None:
    """Put each part between its marks in the document; the words around them stay."""
    text = document.read_text(encoding="utf-8")
    for mark, lines in marks.items():
        first, last = f"<!-- {mark} begins -->", f"<!-- {mark} ends -->"
        if text.count(first) != 1 or text.count(last) != 1:
            raise SystemExit(f"{document} must hold {first} and {last} once each.")
        before, _, rest = text.partition(first)
        _, _, after = rest.partition(last)
        text = before + first + "\n\n" + "\n".join(lines) + "\n\n" + last + after
    document.write_text(text, encoding="utf-8")
