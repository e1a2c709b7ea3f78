"""What every reader of photo files hands on: the header, and why a file is no use."""

from __future__ import annotations

from dataclasses import dataclass, field

from fullhide import _tags

__all__ = [
    "AS_RGB",
    "CUT_SHORT",
    "DAMAGED",
    "NOT_A_PHOTO",
    "Header",
    "PngColour",
    "UnusableError",
    "want_rgb",
]

CUT_SHORT = ("the file is cut short", "copy it from the camera again")
DAMAGED = ("the file is damaged", "copy it from the camera again")
NOT_A_PHOTO = (
    "not a photo file that is read",
    "give a photo saved as JPEG, HEIC, AVIF, PNG, TIFF or camera raw",
)
IN_COLOUR = "take it again in colour and save it as RGB"
AS_RGB = "save it again as an ordinary RGB picture"


class UnusableError(Exception):
    """A file that cannot be used; `open_photo` turns it into a `PhotoError`."""

    def __init__(self, problem: str, remedy: str) -> None:
        super().__init__(problem)
        self.problem = problem
        self.remedy = remedy


@dataclass(frozen=True, slots=True)
class PngColour:
    """Colour chunks of a PNG (PNG third edition, 11.3.2): what they hold, or None."""

    srgb: bool = False
    gamma: float | None = None
    primaries: tuple[float, ...] | None = None
    coding: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Header:
    """What the file says about itself.

    Attributes
    ----------
    format
        ``"JPEG"``, ``"PNG"``, ``"TIFF"``, ``"HEIC"``, ``"AVIF"`` or ``"RAW"``.
    width, height
        Pixels as decoded, before turning upright.
    bits
        8 or 16 a channel.
    icc
        Embedded profile; None if there is none, ``b""`` if it cannot be put together.
    tags
        First directory of the EXIF block (of the file itself for a TIFF).
    pixels
        The bytes to decode: the file's own, or stripped of what only makes decoders chatter.
    alpha
        A fourth channel is stored (or may come out of a palette).
    gain_map
        A brightness map for bright screens lies beside the picture.
    png
        Colour chunks of a PNG.
    coding
        Colour primaries and transfer as code points (ITU-T H.273), where the file names them.
    orientation
        1 to 8, EXIF 2.3, tag 274, if the container says it by other means; None = ask the tags.
    """

    format: str
    width: int
    height: int
    bits: int
    icc: bytes | None
    tags: _tags.Directory | None
    pixels: bytes
    alpha: bool = False
    gain_map: bool = False
    png: PngColour = field(default_factory=PngColour)
    coding: tuple[int, int] | None = None
    orientation: int | None = None


def want_rgb(kind: str) -> None:
    """Refuse a picture whose channels are of another kind; "" is red, green and blue."""
    if kind == "grey":
        raise UnusableError("a black-and-white picture; colours cannot be checked", IN_COLOUR)
    if kind == "CMYK":
        raise UnusableError("a CMYK (printing) picture", "give the camera's own RGB photo")
    if kind:
        raise UnusableError("its channels are not red, green and blue", AS_RGB)
