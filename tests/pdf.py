"""What a person reads and sees on the pages of a PDF."""

from pathlib import Path

import numpy as np
import pypdfium2


def pages(pdf: Path | bytes) -> list[str]:
    """The text of each page."""
    with pypdfium2.PdfDocument(pdf) as document:
        return [page.get_textpage().get_text_bounded() for page in document]


def text(pdf: Path | bytes) -> str:
    return "\n".join(pages(pdf))


def size(pdf: Path | bytes) -> tuple[float, float]:
    """Width and height of the first page, in points."""
    with pypdfium2.PdfDocument(pdf) as document:
        width, height = document[0].get_size()
        return float(width), float(height)


def attached(pdf: Path | bytes) -> dict[str, bytes]:
    """Files in it, by name."""
    with pypdfium2.PdfDocument(pdf) as document:
        found = (document.get_attachment(i) for i in range(document.count_attachments()))
        return {one.get_name(): bytes(one.get_data()) for one in found}


def ink(pdf: Path | bytes, page: int, dpi: float = 36) -> np.ndarray:
    """The page as a picture of rows of pixels: True where it is dark."""
    with pypdfium2.PdfDocument(pdf) as document:
        bitmap = document[page].render(scale=dpi / 72, grayscale=True)
        return np.array(bitmap.to_numpy() < 128)
