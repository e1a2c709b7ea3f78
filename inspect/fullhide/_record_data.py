"""What the record holds, as plain immutable data."""

from __future__ import annotations

from dataclasses import dataclass

from fullhide._record_store import EMPTY
from fullhide.job import ChartSettings, Colour, Limits, Stage, TypedReference
from fullhide.outlines import RegionOutline
from fullhide.result import Finding, PhotoResult, RegionResult

__all__ = [
    "Carried",
    "Contents",
    "KeptFile",
    "KeptInspection",
    "SetAside",
    "Signature",
    "Withdrawal",
    "same_place",
]

Pair = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptFile:
    """A file that an inspection rests on: the photo, its `also` and its grey board.

    `size` is in bytes; `file` is relative to the job folder.
    """

    file: str
    sha256: str
    size: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Carried:
    """A region of an earlier photo laid over a later photo by what the surface shows.

    Attributes
    ----------
    earlier, later
        SHA-256 of the photos.
    region
        The region's name.
    found
        Whether the two could be laid over one another; if not, only `why` means anything.
    matrix
        Homography, row by row, from pixels of the earlier photo to those of the later one.
    doubt_px
        Standard uncertainty of a place, each way, pixels of the later photo.
    """

    earlier: str
    later: str
    region: str
    found: bool
    why: str = ""
    matrix: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0)
    doubt_px: float = 0.0

    def to_later(self, point: Pair) -> Pair:
        """A place of the earlier photo in the later one, pixels."""
        a, b, c, d, e, f, g, h, i = self.matrix
        x, y = point
        w = g * x + h * y + i
        return (a * x + b * y + c) / w, (d * x + e * y + f) / w


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KeptInspection:
    """One inspection of one photo, as it was kept.

    Attributes
    ----------
    number
        Number of the event in the record, from 1; later ones are greater.
    at, by
        When (UTC, ISO 8601) and by whom.
    fullhide
        Version of the product.
    photo
        Everything found, calibration (`photo.chart`, `photo.quality`) included.
    outlines
        The outlines that were inspected, proposals among them.
    under, thread, finish, chart, limits, references
        What was asked, as in `Job`.
    part, stage, coat, airbag
        As `job.toml` gave them then.
    position
        Place of the photo in `job.toml`, from 0.
    run
        The run of the command that it belongs to; empty where it was made alone.
    first, first_run, first_at
        Number, run and time of the first inspection of the same photo; as `Record.read` gives
        them.
    mm_per_px_given
        The scale, where a person gave it instead of the chart.
    shot
        Local time the photo was taken, ISO 8601, from `job.toml` or the camera; None if unknown.
    files
        The files it rests on, the photo first.
    hash
        Hash of the event.
    """

    number: int
    at: str
    by: str
    fullhide: str
    photo: PhotoResult
    outlines: tuple[RegionOutline, ...]
    under: tuple[Colour, ...]
    thread: tuple[Colour, ...]
    finish: Colour | None
    chart: ChartSettings
    limits: Limits
    references: tuple[TypedReference, ...]
    part: str | None
    stage: Stage
    coat: int | None
    airbag: bool
    position: int
    shot: str | None
    files: tuple[KeptFile, ...]
    mm_per_px_given: float | None = None
    run: str = ""
    first: int = 0
    first_run: str = ""
    first_at: str = ""
    hash: str = ""

    def region(self, name: str) -> RegionResult | None:
        """The region of that name; None if the photo has none."""
        wanted = name.casefold()
        found = (region for region in self.photo.regions if region.name.casefold() == wanted)
        return next(found, None)

    def named(self, region: RegionResult) -> bool:
        """Whether a region has its name from a person: drawn, or carried over from a photo."""
        outline = self.outline(region.name) if region.proposed else None
        return not region.proposed or bool(outline and outline.properties.get("carried"))

    def outline(self, name: str) -> RegionOutline | None:
        """The outline that a region was inspected in."""
        for outline in self.outlines:  # mostly spelt alike
            if outline.name == name:
                return outline
        wanted = name.casefold()
        return next((o for o in self.outlines if o.name.casefold() == wanted), None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Withdrawal:
    """A set-aside taken back: when, by whom, why."""

    number: int
    at: str
    by: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A finding that a person says is no miss, and why. It is kept, shown and counted.

    It goes with the finding's place in one photo: a later inspection of the same photo finds it
    set aside again, another photo of the region does not.

    Attributes
    ----------
    number
        Number of the event.
    inspection
        Number of the inspection that found it.
    file, sha256, part, region
        The photo and the region.
    finding
        As it was found.
    withdrawn
        None while it stands.
    """

    number: int
    at: str
    by: str
    reason: str
    inspection: int
    file: str
    sha256: str
    part: str | None
    region: str
    finding: Finding
    withdrawn: Withdrawal | None = None

    def covers(self, sha256: str, region: str, finding: Finding) -> bool:
        """Whether it stands and is of that finding of that photo (by its SHA-256)."""
        return (
            self.withdrawn is None
            and self.sha256 == sha256
            and self.region.casefold() == region.casefold()
            and same_place(self.finding, finding)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """A sign-off.

    Attributes
    ----------
    number, at, by, hash
        The event; `hash` is the seal that is printed when signing.
    despite
        Why it was signed although the gate was closed; empty if it was open.
    gate
        What stood against reassembly then, one sentence each; empty if nothing did.
    files
        `job.toml`, `regions.geojson` and every photo, with their SHA-256.
    public_key, signature
        Ed25519, hexadecimal; empty without a key. What is signed: `statement`.
    statement
        The signed text, JSON.
    """

    number: int
    at: str
    by: str
    despite: str
    gate: tuple[str, ...]
    files: tuple[KeptFile, ...]
    public_key: str
    signature: str
    statement: str
    hash: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contents:
    """The record at one moment.

    Attributes
    ----------
    newest
        The newest inspection of each photo that was ever inspected; a photo that was replaced
        by another of the same name counts as a photo of its own. Oldest first.
    inspections
        How many inspections there are in all.
    set_asides
        All of them, those taken back as well, oldest first.
    carried
        How regions of earlier photos lie in later ones; of a pair and region the newest counts.
    signatures
        Oldest first.
    last, seal
        Number and hash of the last event; 0 and zeros if there is none.
    last_change
        Number of the last event that is no signature; 0 if there is none.
    """

    newest: tuple[KeptInspection, ...] = ()
    inspections: int = 0
    set_asides: tuple[SetAside, ...] = ()
    carried: tuple[Carried, ...] = ()
    signatures: tuple[Signature, ...] = ()
    last: int = 0
    seal: str = EMPTY
    last_change: int = 0


def same_place(first: Finding, second: Finding) -> bool:
    """Whether two findings of one photo are the same spot: alike, and one's middle in the other.

    The margin of a tenth of a box, and of two pixels at least, is our own choice.
    """
    if first.kind != second.kind or first.under != second.under:
        return False
    return _within(first.centre_px, second) or _within(second.centre_px, first)


def _within(point: Pair, finding: Finding) -> bool:
    x0, y0, x1, y1 = finding.box_px
    margin_x, margin_y = max(2.0, 0.1 * (x1 - x0)), max(2.0, 0.1 * (y1 - y0))
    return x0 - margin_x <= point[0] <= x1 + margin_x and y0 - margin_y <= point[1] <= y1 + margin_y
