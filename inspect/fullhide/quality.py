"""The named flags of quality: one list for reasons, overlays, pages and documentation."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

__all__ = ["EDGE_CHECKS", "FLAGS", "Flag", "blocking"]

EDGE_CHECKS = frozenset({"edge_line", "edge_gap", "overspray"})
ALL_CHECKS = frozenset({"show_through", "thin_coat", "evenness", "match", "sheen"}) | EDGE_CHECKS


@dataclass(frozen=True, slots=True)
class Flag:
    """A named doubt about a photo or a region.

    Attributes
    ----------
    name
        The flag's key in the JSON.
    says
        What is the matter, in plain words.
    settle
        The photo that would settle it; empty where nothing needs settling.
    blocks
        The checks that cannot be decided while the flag stands.
    """

    name: str
    says: str
    settle: str = ""
    blocks: frozenset[str] = frozenset()


def _flag(name: str, says: str, settle: str = "", blocks: Iterable[str] = ()) -> Flag:
    return Flag(name, says, settle, frozenset(blocks))


FLAGS: dict[str, Flag] = {
    flag.name: flag
    for flag in (
        _flag(
            "damaged",
            "the file is damaged and shows false colours",
            "copy the photo from the camera again, or take it again",
            ALL_CHECKS,
        ),
        _flag(
            "no_colour",
            "the photo is black and white",
            "turn off the camera's black-and-white setting and take it again",
            ALL_CHECKS,
        ),
        _flag("profile_assumed", "the photo names no colour space; sRGB is assumed"),
        _flag("profile_approximate", "the photo's colour profile could only be applied roughly"),
        _flag(
            "gain_map", "the photo carries a brightness map for bright screens; its base is used"
        ),
        _flag(
            "clipped",
            "part of the surface is burnt out",
            "take it again a stop darker, with the lamp turned away from the shine",
        ),
        _flag(
            "glare",
            "part of the surface is lost in shine",
            "move the lamp so that its reflection leaves the surface, and take it again",
        ),
        _flag(
            "too_dark",
            "the photo is too dark to tell colours apart",
            "take it again with more light or a longer exposure",
            ALL_CHECKS,
        ),
        _flag(
            "noisy_colour",
            "noise drowns some of the region's colour, so its average cannot be trusted",
            "take it again in more light",
            {"match_apart"},
        ),
        _flag(
            "out_of_focus",
            "the photo is not sharp enough for the smallest spot of the limit",
            "rest the camera on something, tap the surface to focus, and take it again",
            {"show_through"},
        ),
        _flag(
            "focus_unknown",
            "no edge in the photo shows how sharp it is",
            "take it again with the chart or the part's rim in the picture and in focus",
            {"show_through", *EDGE_CHECKS},
        ),
        _flag(
            "too_far",
            "the photo is taken from too far away for the smallest spot of the limit",
            "take it again from nearer",
            {"show_through"},
        ),
        _flag(
            "no_scale",
            "nothing in the photo gives its scale, so no area can be told in mm²",
            "lay the chart beside the part and take it again, or give --mm-per-px",
            {"show_through", "thin_coat", "evenness", *EDGE_CHECKS},
        ),
        _flag(
            "no_chart",
            "no chart was found, so colours are only relative",
            "lay the 24-patch chart flat beside the part, fully visible, and take it again",
            {"match", "edge_gap"},
        ),
        _flag(
            "chart_small",
            "the chart is too small in the photo to be read well",
            "take it again from nearer or with a larger chart",
            {"match"},
        ),
        _flag(
            "chart_covered",
            "a patch of the chart is covered or dirty",
            "uncover and wipe the chart and take the photo again",
            {"match"},
        ),
        _flag(
            "chart_glare",
            "the chart reflects the lamp",
            "tilt the chart or move the lamp until no patch shines, and take it again",
            {"match"},
        ),
        _flag(
            "chart_clipped",
            "the chart's light patches are burnt out",
            "take it again a stop darker",
            {"match"},
        ),
        _flag(
            "chart_part_clipped",
            "one or two patches of the chart are burnt out and were left out of its reading",
            "take the next photo half a stop darker",
        ),
        _flag(
            "chart_mirrored",
            "the chart appears mirrored",
            "turn off the camera's mirror setting and take it again",
            {"match"},
        ),
        _flag(
            "chart_doubtful",
            "the chart's colours do not fit the stated chart",
            "check the chart's edition in job.toml, clean the chart, use one kind of light",
            {"match"},
        ),
        _flag(
            "chart_shaded",
            "a shadow lies across the chart",
            "move the chart out of the shadow, or what casts it, and take it again",
            {"match"},
        ),
        _flag(
            "scale_doubtful",
            "the chart's outer edges cannot be made out, so millimetres are less certain",
            "lay the chart on something that its dark rim stands out from, and take it again",
        ),
        _flag(
            "card_only",
            "the photo shows a printed card but no chart, so colours rest on the paper's white "
            "alone and are rough",
            "lay the 24-patch chart beside the part as well, fully visible, and take it again",
            {"match", "edge_gap"},
        ),
        _flag(
            "card_white_doubtful",
            "the printed card's white is burnt out, shaded or dirty, so it sets no colours",
            "lay a clean card flat in the same light as the part, and take it again darker",
        ),
        _flag(
            "card_unmeasured",
            "nobody measured the printed card's ruler, so millimetres may be off by 3 %: write "
            "what it measures as printed_mm under [card] in job.toml",
        ),
        _flag(
            "scales_differ",
            "the chart and the printed card give different scales",
            "check width_mm under [chart] and printed_mm under [card] in job.toml, and that the "
            "chart lies flat in the frame",
            {"show_through", "thin_coat", *EDGE_CHECKS},
        ),
        _flag(
            "light_uneven",
            "the light falls off strongly across the surface",
            "put the lamps further away or one on either side, or photograph a grey board",
        ),
        _flag(
            "mixed_light",
            "the light is of two kinds, redder on one side than on the other",
            "use one kind of light, shut out the other, and take it again",
            {"match"},
        ),
        _flag(
            "no_flat_field", "nothing in the photo shows how evenly the light falls on the surface"
        ),
        _flag(
            "odd_patch",
            "part of the surface stands out from the rest by far",
            "if it is a thing, outline it with the kind `ignore`; if not, touch it up and take "
            "the photo again",
        ),
        _flag(
            "soft_patch",
            "a soft patch may be thin dye, or only shade or shine",
            "take it again with the lamp moved, and photograph a plain grey board in the same "
            "light (`grey_board`): dye stays, shade and shine move",
        ),
        _flag(
            "colours_inseparable",
            "a colour beneath looks like shadow or shine here",
            "take it again from nearer and in more light, with the lamp moved so that the surface "
            "shows neither shadow nor shine",
        ),
        _flag(
            "grain_hides",
            "grain and noise could hide a spot of the limit here",
            "take it again from nearer, in more light and with the camera steady",
        ),
        _flag(
            "something_else",
            "something lies or shows here that is neither the finish nor a named colour beneath",
            "take off dust, hair and tape, or name the colour with [[under]] or [[thread]] in "
            "job.toml, and take it again",
        ),
        _flag(
            "also_unregistered",
            "no photo named under `also` could be laid over this one, so none was used",
            "take it again from the same place and as near, with only the lamp moved",
        ),
        _flag(
            "region_small",
            "too little of the region can be seen to judge it",
            "take it again from nearer, so that the region fills more of the picture",
            ALL_CHECKS,
        ),
        _flag(
            "edge_not_found",
            "no line between two colours can be made out inside the outline",
            "draw the outline over the line, at least 5 mm to either side, or take it again from "
            "nearer and in more light",
        ),
        _flag(
            "edge_coarse",
            "the photo is taken from too far away for the limit at this line",
            "take it again from nearer",
            EDGE_CHECKS,
        ),
        _flag(
            "edge_unsharp",
            "the photo is not sharp enough for the limit at this line",
            "rest the camera on something, tap the line to focus, and take it again",
            EDGE_CHECKS,
        ),
        _flag(
            "edge_hidden",
            "part of the line cannot be seen",
            "take off what lies on it, turn the lamp away from the shine, and take it again",
        ),
        _flag(
            "edge_soft",
            "the line is soft: a colour between the two, or tape that lifted",
            "look there, and take it again from nearer and in focus",
        ),
        _flag(
            "edge_gap_hidden",
            "a colour beneath could show between the two colours and not be told from them",
            "take it again from nearer and in more light, with the lamp turned away from the shine",
        ),
        _flag("proposed", "the outline is a proposal, not drawn by a person"),
        _flag(
            "carried",
            "the outline is carried over from an earlier photo of the part, not drawn in this one",
        ),
        _flag(
            "carried_in_part",
            "some outlines of an earlier photo of the part are not wholly in this one, or could "
            "not be matched here, and are left out",
            "take it again with the whole part in the picture, or draw them in this photo",
        ),
        _flag(
            "not_carried",
            "the outlines of an earlier photo of the part could not be carried over, since the two "
            "do not clearly show the same surface",
            "draw the outlines in this photo, or take it again with the whole part in the picture",
        ),
        _flag(
            "nothing_proposed",
            "no surface stands out clearly enough to propose an outline",
            "draw the part's outline in this photo, or take it again with the part in the middle "
            "on a bench of another colour",
        ),
    )
}


def blocking(names: Iterable[str], check: str) -> list[Flag]:
    """Flags among `names` that forbid deciding `check`, in the registry's order."""
    present = set(names)
    return [flag for flag in FLAGS.values() if flag.name in present and check in flag.blocks]
