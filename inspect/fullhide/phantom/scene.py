"""What a test photograph shows: plain immutable descriptions, in millimetres.

Positions in millimetres count from the photo's top left corner, x right, y down, in the
plane of the part: millimetres = pixels times `Scene.mm_per_px`.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from .edge import Edge

__all__ = [
    "Bands",
    "Camera",
    "Chart",
    "Distractor",
    "Film",
    "Gap",
    "Lamp",
    "Leather",
    "Light",
    "Mottle",
    "Scene",
    "Seam",
    "Sheen",
    "Spot",
    "Thin",
    "View",
]

Lab = tuple[float, float, float]
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Lamp:
    """One lamp.

    Attributes
    ----------
    azimuth_deg
        Where it stands as seen in the photo: 0 right, 90 above, 180 left.
    elevation_deg
        Height above the plane of the part.
    weight
        Its share of the direct light; the scene's weights are brought to a sum of 1.
    distance_mm
        Distance from the centre of the photo; sets how fast its light falls off.
    """

    azimuth_deg: float = 135.0
    elevation_deg: float = 45.0
    weight: float = 1.0
    distance_mm: float = 2500.0


@dataclass(frozen=True, slots=True)
class Light:
    """The light of the scene.

    Attributes
    ----------
    name
        A light known to colour-science: "D65", "D50", "A", "FL2", "FL11", "LED-B3" ...
    lamps
        Directed sources.
    ambient
        Share of light that comes from everywhere, 0 to 1.
    falloff
        Further loss across the frame, 0 to 0.9: the light is `falloff` weaker at the far
        edge than at the near edge.
    falloff_towards_deg
        Direction in which it gets darker: 0 right, 90 up.
    """

    name: str = "D65"
    lamps: tuple[Lamp, ...] = (
        Lamp(azimuth_deg=150.0, weight=0.6),
        Lamp(azimuth_deg=25.0, weight=0.4),
    )
    ambient: float = 0.3
    falloff: float = 0.05
    falloff_towards_deg: float = -40.0


@dataclass(frozen=True, slots=True)
class Camera:
    """The camera and what it does to the picture.

    Attributes
    ----------
    sensor
        "camera-a", "camera-b" (measured sensitivities) or "ideal" (sees linear sRGB).
        "camera-b" has layers that overlap strongly: its matrix amplifies noise severalfold.
    exposure
        Linear value of a perfect white in full light, full scale = 1.
    tone
        "srgb", or "phone": an S-curve on top of it, the same for each channel.
    white_balance
        Red, green and blue gain left over by a balance that is not perfect.
    blur_px
        Standard deviation of the optical blur; raise it for a photo out of focus.
    motion_px
        Length of a horizontal shake of the hand.
    noise
        Strength of sensor noise (shot and read noise); 0 = none, 1 = good light, 3 = dim.
    flare
        Veiling glare: this share of the frame's mean light lies over everything.
    sharpen
        Strength of the camera's sharpening, 0 to about 1.
    profile
        Colour space of the values: "srgb", "display-p3" or "adobe-rgb".
    bits
        Of each value: 8 or 16.
    """

    sensor: str = "camera-a"
    exposure: float = 0.85
    tone: str = "srgb"
    white_balance: tuple[float, float, float] = (1.0, 1.0, 1.0)
    blur_px: float = 0.6
    motion_px: float = 0.0
    noise: float = 1.0
    flare: float = 0.004
    sharpen: float = 0.35
    profile: str = "srgb"
    bits: int = 8


@dataclass(frozen=True, slots=True)
class Leather:
    """The surface of the part.

    Attributes
    ----------
    grain
        "coarse", "fine", "smooth" or "none".
    depth
        Multiplies the grain's usual depth.
    roughness
        Width of the highlight in units of slope: 0.45 matt, 0.3 satin, 0.18 semi-gloss.
    gloss
        Multiplies the highlight; 1 = the Fresnel reflection of a dye binder (4 %).
    curvature_mm
        How far the middle of the panel stands above its ends, over the photo's width.
    """

    grain: str = "fine"
    depth: float = 1.0
    roughness: float = 0.32
    gloss: float = 1.0
    curvature_mm: float = 6.0


@dataclass(frozen=True, slots=True)
class Film:
    """The dye film: `coats` coats of scattering thickness `sx_per_coat` (Kubelka-Munk).

    Attributes
    ----------
    coats, sx_per_coat
        Number of coats and S times X of each.
    over
        Name of the under colour the dye lies on; empty = the first of the scene.
    transition
        Name of an under colour laid between them as a coat of its own; empty = none.
    transition_sx
        Scattering thickness of that coat.
    """

    coats: int = 5
    sx_per_coat: float = 0.8
    over: str = ""
    transition: str = ""
    transition_sx: float = 3.0


@dataclass(frozen=True, slots=True)
class Spot:
    """A place where a colour beneath shows.

    Attributes
    ----------
    under
        Name of the colour beneath.
    centre_mm
        Its middle.
    area_mm2
        Area inside its half-way line.
    shape
        "round", "irregular", "elongated" or "scratch".
    angle_deg
        Direction of the long axis, 0 right, 90 up.
    softness_mm
        Width of the edge; 0 = cut sharp.
    share
        Share of the colour beneath at the middle, 0 to 1.
    delta_e
        Instead of `share`: CIEDE2000 (D50) of the middle against the finish.
    """

    under: str
    centre_mm: Point
    area_mm2: float = 6.0
    shape: str = "irregular"
    angle_deg: float = 20.0
    softness_mm: float = 0.0
    share: float = 1.0
    delta_e: float | None = None


@dataclass(frozen=True, slots=True)
class Seam:
    """A seam: a valley between two rolled edges.

    Attributes
    ----------
    start_mm, end_mm
        Its ends.
    bow_mm
        Height of its arc over the straight line; positive = to the left of start -> end.
    width_mm, depth_mm
        Of the valley.
    opened
        Spread by hand so that the bottom can be seen.
    thread
        Lab of the thread of stitches across the bottom; None = no thread to be seen.
    """

    start_mm: Point
    end_mm: Point
    bow_mm: float = 0.0
    width_mm: float = 7.0
    depth_mm: float = 2.5
    opened: bool = False
    thread: Lab | None = None


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of a seam's valley that the dye did not reach.

    Attributes
    ----------
    seam
        Which of the scene's seams, from 0.
    from_mm, to_mm
        Along the seam from its start.
    under
        Name of the colour beneath.
    width_mm
        Of the stretch, across the seam.
    softness_mm
        Width of its edge.
    share
        Share of the colour beneath in the middle.
    """

    seam: int
    from_mm: float
    to_mm: float
    under: str
    width_mm: float = 2.2
    softness_mm: float = 0.6
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Thin:
    """A place with less dye: `coats_missing` of the film's coats, soft at the edge."""

    centre_mm: Point
    area_mm2: float = 400.0
    coats_missing: float = 3.0
    softness_mm: float = 10.0


@dataclass(frozen=True, slots=True)
class Mottle:
    """Random unevenness of a typical size.

    `kind` "thickness" varies the film (`amplitude` = standard deviation as a share of it);
    "lightness" varies the reflectance itself (standard deviation as a share).
    """

    amplitude: float = 0.1
    scale_mm: float = 12.0
    kind: str = "thickness"


@dataclass(frozen=True, slots=True)
class Bands:
    """Stripes from the spray gun; see `Mottle` for `kind` and `amplitude` (half the swing).

    `angle_deg` is the direction in which the stripes follow one another, 0 right, 90 up.
    """

    period_mm: float = 60.0
    amplitude: float = 0.2
    angle_deg: float = 90.0
    kind: str = "thickness"


@dataclass(frozen=True, slots=True)
class Sheen:
    """A place of the part with a gloss of its own; a later one lies over an earlier.

    Attributes
    ----------
    centre_mm, size_mm
        Its middle, and its width and height.
    gloss, roughness
        As a `Leather`'s, instead of the part's own.
    shape
        "box" or "round".
    softness_mm
        How far within its rim it takes to be all itself; 0 = cut sharp.
    """

    centre_mm: Point
    size_mm: Point
    gloss: float = 1.0
    roughness: float = 0.32
    shape: str = "box"
    softness_mm: float = 0.0


@dataclass(frozen=True, slots=True)
class Chart:
    """The 24-patch chart in the frame.

    Attributes
    ----------
    centre_px
        Its middle in the photo; None = the free bottom right corner.
    width_mm
        Outer width of the board.
    rotation_deg
        Anticlockwise turn in the photo.
    tilt_deg, tilt_axis_deg
        Turn out of the part's plane about an axis of that direction.
    edition
        "after-2014" or "before-2014": patches have exactly that edition's Lab;
        "measured": the averaged measured spectra themselves.
    covered
        Numbers (0 to 23) of patches hidden under something.
    glare
        Numbers of patches that reflect the lamp.
    mirrored
        The board appears mirrored.
    shaded
        Share of light taken from one half of the board.
    """

    centre_px: Point | None = None
    width_mm: float = 100.0
    rotation_deg: float = 0.0
    tilt_deg: float = 0.0
    tilt_axis_deg: float = 90.0
    edition: str = "after-2014"
    covered: tuple[int, ...] = ()
    glare: tuple[int, ...] = ()
    mirrored: bool = False
    shaded: float = 0.0


@dataclass(frozen=True, slots=True)
class Distractor:
    """Something that is not a missed spot.

    Attributes
    ----------
    kind
        "dust" (many light specks), "hair", "thread" (a loose end), "tape",
        "perforation" (punched holes in rows), "piping" (a raised cord), "thread_holes" (a
        row of needle holes), "embossing" (a mark pressed in), "fold" (a crease that throws
        a shadow), or, with a shadow of its own, a "hand", a "tool" or a "cloth".
    centre_mm
        Its middle.
    size_mm
        Its extent.
    angle_deg
        Its direction, 0 right, 90 up.
    lab
        Its colour; None = usual for its kind.
    """

    kind: str
    centre_mm: Point
    size_mm: float = 20.0
    angle_deg: float = 0.0
    lab: Lab | None = None


@dataclass(frozen=True, slots=True)
class View:
    """A camera that stands elsewhere than straight above.

    Attributes
    ----------
    tilt_deg
        How far it leans away from straight above.
    towards_deg
        To which side, as seen from above: 0 right, 90 up.
    turn_deg
        Anticlockwise turn of the part in the photo.
    distance
        From the place looked at, in units of the usual distance.
    aim_mm
        The place in the photo's middle; None = the scene's middle.
    size_px
        Width and height of the photo; None = as the scene's.
    """

    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    turn_deg: float = 0.0
    distance: float = 1.0
    aim_mm: Point | None = None
    size_px: tuple[int, int] | None = None


@dataclass(frozen=True, slots=True)
class Scene:
    """A test photograph before it is taken.

    Attributes
    ----------
    size_px
        Width and height of the photo.
    mm_per_px
        Scale in the plane of the part.
    seed
        Of everything random in the scene: the same seed gives the same bytes.
    finish
        Lab (D50) of the finish where it hides fully.
    under
        Names and Labs of the colours beneath.
    panel_px
        Outline of the part; empty = everything but the strip that holds the chart.
    chart
        None = no chart in the frame.
    surround
        "neutral": a matt grey bench; "cluttered": coloured things on it.
    surround_seed
        Of the bench alone; None = the scene's. Another one is another bench about the same part.
    flat_board
        Nothing but a plain grey board; see `grey_board`.
    shift_px
        How far everything has moved in the photo, x right, y down.
    shot
        Number of the shot: a second one has other noise.
    threshold_delta_e
        CIEDE2000 above which a place counts to a spot's true area.
    view
        Where the camera stands; None = straight above, as far as `mm_per_px` says. With one,
        places in millimetres and pixels are those of the flat scene; the truth is the photo's.
        The flat scene has to reach beyond what the photo shows: its rim is mirrored there.
    spectra
        Reflectance of colours in `under` by their names, every 5 nm from 380 to 780, where it is
        not the smooth one of that Lab.
    """

    size_px: tuple[int, int] = (1600, 1200)
    mm_per_px: float = 0.25
    seed: int = 1
    light: Light = field(default_factory=Light)
    camera: Camera = field(default_factory=Camera)
    leather: Leather = field(default_factory=Leather)
    film: Film = field(default_factory=Film)
    finish: Lab = (46.0, 21.0, 28.0)
    under: tuple[tuple[str, Lab], ...] = (
        ("old green", (38.0, -28.0, 9.0)),
        ("white transition coat", (93.0, -0.5, 2.0)),
    )
    spots: tuple[Spot, ...] = ()
    seams: tuple[Seam, ...] = ()
    edges: tuple[Edge, ...] = ()
    gaps: tuple[Gap, ...] = ()
    thin: tuple[Thin, ...] = ()
    mottle: tuple[Mottle, ...] = ()
    bands: tuple[Bands, ...] = ()
    sheens: tuple[Sheen, ...] = ()
    distractors: tuple[Distractor, ...] = ()
    panel_px: tuple[Point, ...] = ()
    chart: Chart | None = field(default_factory=Chart)
    surround: str = "neutral"
    surround_seed: int | None = None
    flat_board: bool = False
    shift_px: Point = (0.0, 0.0)
    shot: int = 0
    threshold_delta_e: float = 3.0
    view: View | None = None
    spectra: tuple[tuple[str, tuple[float, ...]], ...] = ()

    def grey_board(self) -> Scene:
        """The same light, camera and place with a plain matt grey board before the part."""
        return replace(
            self,
            flat_board=True,
            spots=(),
            seams=(),
            edges=(),
            gaps=(),
            thin=(),
            mottle=(),
            bands=(),
            sheens=(),
            distractors=(),
            chart=None,
            shot=self.shot + 1,
        )

    def lamp_moved(self, degrees: float = 60.0, *, shift_px: Point = (0.0, 0.0)) -> Scene:
        """The same view with the lamps turned round the part and the camera moved a little."""
        lamps = tuple(replace(q, azimuth_deg=q.azimuth_deg + degrees) for q in self.light.lamps)
        return replace(
            self,
            light=replace(self.light, lamps=lamps),
            shift_px=(self.shift_px[0] + shift_px[0], self.shift_px[1] + shift_px[1]),
            shot=self.shot + 1,
        )
