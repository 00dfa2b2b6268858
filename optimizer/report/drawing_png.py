"""Pictures of a palette as PNG (ISO/IEC 15948:2004), for what has too many cells to be drawn one by one.

Colours are those of cividis, made so that people with and without colour deficiency see the same order
(Nuñez, Anderton, Renslow, PLOS ONE 13(7), 2018); in grey print it goes evenly from dark to bright.
"""

from __future__ import annotations

import base64
import struct
import zlib

import numpy as np

from optimizer.base.timegrid import FloatArray

PLACES = (0, 20, 40, 64, 128, 192, 255)
CIVIDIS = (
    (0, 34, 78), (0, 48, 112), (39, 62, 110), (67, 78, 108), (125, 124, 120), (188, 174, 108),
    (254, 232, 56),
)  # fmt: skip
"""Of its published 256 colours those at a few places; between them lines keep to it within 7 of 255."""

LEVELS = 63
"""So many colours; one more is left blank."""


def cividis(share: FloatArray) -> FloatArray:
    """Return red, green, blue of shares from 0 to 1, shape (N, 3), from 0 to 255."""
    colours = np.array(CIVIDIS, dtype=np.float64)
    parts = [np.interp(255 * share, PLACES, colours[:, part]) for part in range(3)]
    return np.stack(parts, axis=-1)


def picture(values: FloatArray, low: float, high: float) -> str:
    """Return values of shape (rows, columns) as a picture that can stand in a page, a pixel a value.

    ``low`` gets the darkest colour and ``high`` the brightest; NaN is left blank.
    """
    share = np.clip((values - low) / (high - low), 0, 1)
    blank = ~np.isfinite(share)
    index = np.where(blank, LEVELS, np.rint(np.where(blank, 0, share) * (LEVELS - 1)))
    palette = np.rint(cividis(np.linspace(0, 1, LEVELS)))
    palette = np.concatenate([palette, [[255, 255, 255]]]).astype(np.uint8)
    raw = _png(index.astype(np.uint8), palette, bytes([255] * LEVELS + [0]))
    return "data:image/png;base64," + base64.b64encode(raw).decode()


def _png(index: np.ndarray, palette: np.ndarray, opacity: bytes) -> bytes:
    rows, columns = index.shape
    lines = np.concatenate([np.zeros((rows, 1), np.uint8), index], axis=1)  # 0: no filter
    head = struct.pack(">IIBBBBB", columns, rows, 8, 3, 0, 0, 0)  # 8 bits a pixel, by palette
    chunks = ((b"IHDR", head), (b"PLTE", palette.tobytes()), (b"tRNS", opacity),
              (b"IDAT", zlib.compress(lines.tobytes(), 4)), (b"IEND", b""))  # fmt: skip
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        for name, data in chunks
    )
