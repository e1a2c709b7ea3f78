"""The facts that every page of a job is made from: plain data, no layout."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

__all__ = [
    "Asked",
    "Before",
    "CoatPoint",
    "CoatsFacts",
    "Gate",
    "Limit",
    "Mark",
    "Measured",
    "Outline",
    "Page",
    "Part",
    "PhotoFacts",
    "Region",
    "Round",
    "SetAside",
    "Shop",
    "Signature",
    "Spot",
]

Word = Literal["pass", "fail", "retake", "not yet", "not judged", "missing"]
Point = tuple[float, float]
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """Who did the work; `logo` holds a JPEG or PNG, empty without one."""

    name: str = ""
    logo: bytes = b""
    logo_type: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """A colour that the job names: what it is for, its name, CIE Lab (D50, 2°).

    `shown` is the nearest that a screen has, as ``#rrggbb``: to look at, not to match by.
    """

    what: str
    name: str
    lab: tuple[float, float, float]
    shown: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit: key in `job.toml`, owner's words, value with unit, where it comes from."""

    key: str
    what: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One measure of a region; `u` is its standard uncertainty, in `unit` too."""

    key: str
    what: str
    value: float | None
    u: float | None
    limit: float | None
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """One finding.

    Attributes
    ----------
    number
        The finding's number in its photo.
    label
        What the marks say: the number, with the photo's letter where a part has several photos.
    what
        What shows, in plain words.
    size, where
        In words; empty where not known.
    do
        Spot touch-up, another coat, or whom to ask.
    answer
        Against earlier rounds: ``"new"``, ``"still there"`` …; empty in a first round.
    """

    number: int
    label: str
    kind: str
    under: str | None
    what: str
    size: str
    where: str
    do: str
    area_mm2: float | None
    delta_e: float | None
    share: float | None
    centre_px: Point
    box_px: Box
    along_seam_mm: tuple[float, float] | None = None
    answer: str = ""
    depth_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A finding that a person set aside: which, why, who, when."""

    what: str
    reason: str
    by: str = ""
    when: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One inspection of a region: which round, when, what it came to, what changed."""

    number: int
    when: str
    word: Word
    photo: str
    changes: str = ""
    by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """One region as it stands.

    Attributes
    ----------
    photo
        Key of the photo it was judged in; empty where it was never photographed.
    word, verdict
        How it stands now; the verdict on its newest photo, empty without one.
    why
        Sentences: what stands against it, what the verdict rests on, or what is missing.
    judged_share
        Share of the region that could be judged, 0 to 1; None if not known.
    detectable_mm2
        The smallest spot that the photo would have shown, mm².
    airbag
        Whether an airbag may be here, so that no work is ever advised.
    tint
        What the shop's tinters could do about its match, a sentence; empty without.
    """

    name: str
    part: str
    kind: str
    word: Word
    photo: str
    verdict: str = ""
    why: tuple[str, ...] = ()
    proposed: bool = False
    airbag: bool = False
    judged_share: float | None = None
    detectable_mm2: float | None = None
    measures: tuple[Measured, ...] = ()
    spots: tuple[Spot, ...] = ()
    set_aside: tuple[SetAside, ...] = ()
    rounds: tuple[Round, ...] = ()
    tint: str = ""

    @property
    def read(self) -> dict[str, Measured]:
        """Its measures by their key."""
        return {measure.key: measure for measure in self.measures}


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """Where a finding lies in its photo, and whether it is ringed or bracketed."""

    label: str
    word: Word
    box_px: Box
    patch: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A region's outline in pixels of the upright photo."""

    name: str
    kind: str
    word: Word
    ring: tuple[Point, ...]
    holes: tuple[tuple[Point, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoFacts:
    """One photo and how far it can be trusted.

    Attributes
    ----------
    key
        Names the photo's pictures; ``"p1"``, ``"p2"`` …
    letter
        ``"A"``, ``"B"`` … where its part has several photos; otherwise empty.
    trust
        Sentences: the chart, the scale, the light, what was noted.
    alt
        What a person who cannot see the picture should know.
    """

    key: str
    file: str
    part: str
    stage: str
    sha256: str
    size_px: tuple[int, int]
    mm_per_px: float | None
    letter: str = ""
    chart_residual_delta_e: float | None = None
    trust: tuple[str, ...] = ()
    outlines: tuple[Outline, ...] = ()
    marks: tuple[Mark, ...] = ()
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Before:
    """A photo from before the work beside one of the same part now, by their keys.

    `place` is the scale and shift (x, y) from pixels of the first to those of the second that lay
    its outlines over the second's; None where that is not known.
    """

    before: str
    after: str
    place: tuple[float, float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CoatPoint:
    """One coat of a hiding curve.

    Attributes
    ----------
    kind
        ``"ground"``, ``"transition"`` or ``"dye"``.
    delta_e, at_least, at_most
        CIEDE2000 to the finish and its interval; None and 0 where the finish is not known.
    """

    coat: int
    kind: str
    delta_e: float | None = None
    at_least: float = 0.0
    at_most: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CoatsFacts:
    """How a region's old colour goes under, coat by coat.

    Attributes
    ----------
    name
        Part and region.
    says
        Sentences, how many coats are still to be expected first.
    head, rows
        A table.
    alt
        What a person who cannot see the curve should know.
    """

    part: str
    name: str
    limit: float
    says: tuple[str, ...]
    head: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()
    points: tuple[CoatPoint, ...] = ()
    airbag: bool = False
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part with its regions, photos and pairs of before and after."""

    name: str
    word: Word
    airbag: bool = False
    regions: tuple[Region, ...] = ()
    photos: tuple[str, ...] = ()
    pairs: tuple[Before, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Whether the parts may go back together; `against` says what stands against it."""

    open: bool
    says: str
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """Who signed when.

    Attributes
    ----------
    despite
        The reason given while something stood against it; empty if nothing did.
    note
        What has to be said of it, such as that the record was added to since.
    seal
        What signing printed: `fullhide verify` compares the record with it.
    keyed
        Whether it was signed with a key as well.
    """

    by: str
    when: str
    despite: str = ""
    note: str = ""
    seal: str = ""
    keyed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """Everything the pages of one job say.

    Attributes
    ----------
    when
        When the pages were made, as a person writes it; `when_utc` is the same for machines.
    headline
        The answer in one sentence.
    counts
        How many regions are ``pass``, ``fail``, ``retake`` and ``missing``.
    problems
        Inputs that could not be used, one sentence each.
    coats, coats_note
        Hiding curves, and what has to be known of them; empty without photos between coats.
    notes, privacy
        What else a reader has to know; what to look for before the page is passed on.
    lights
        How matches fare in the lights that the job names, one sentence each; empty without any.
    """

    job: str
    version: str
    when: str
    when_utc: str
    headline: str
    gate: Gate
    shop: Shop = Shop()
    counts: tuple[tuple[Word, int], ...] = ()
    colours: tuple[Asked, ...] = ()
    limits: tuple[Limit, ...] = ()
    confidence: float = 0.95
    parts: tuple[Part, ...] = ()
    coats: tuple[CoatsFacts, ...] = ()
    coats_note: str = ""
    photos: tuple[PhotoFacts, ...] = ()
    signatures: tuple[Signature, ...] = ()
    problems: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    privacy: str = ""
    scope: str = ""
    cautions: tuple[str, ...] = ()
    inspections: int = 0
    lights: tuple[str, ...] = ()
    _photo: dict[str, PhotoFacts] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        self._photo.update({photo.key: photo for photo in self.photos})

    def photo(self, key: str) -> PhotoFacts:
        """Return a photo by its key; KeyError if there is none."""
        return self._photo[key]

    @property
    def despite(self) -> tuple[Signature, ...]:
        """Signatures given although something stood against it: shown on every page."""
        return tuple(signature for signature in self.signatures if signature.despite)

    @property
    def regions(self) -> tuple[Region, ...]:
        """Every region, part by part."""
        return tuple(region for part in self.parts for region in part.regions)
