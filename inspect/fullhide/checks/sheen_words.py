"""Places of another sheen in the words of the bench."""

from __future__ import annotations

from collections.abc import Sequence

from fullhide import wording

__all__ = ["sheen_even_reason", "sheen_spot_reason"]

#: What settles how much a sheen differs.
_LAMP_AGAIN = (
    "move the lamp lower and to one side until the surface glints, take it again from the same "
    "place, and name that photo under `also`"
)
#: A ratio is told from here on, and what a photo would have shown up to here (our own choices).
_SHEEN_TOLD, _SHEEN_SHOWN = 1.1, 5.0


def sheen_spot_reason(
    places: Sequence[tuple[float, float]],
    *,
    glossy: bool,
    limit: float,
    sure: bool,
    airbag: bool,
) -> str:
    """Sentence on places of another sheen: (the sure end of the ratio, area in mm²) each."""
    end, largest = max(places, key=lambda place: place[1])
    word = "glossier" if glossy else "duller"
    many = len(places) > 1
    count = f"{len(places)} places" if many else "1 place"
    text = f"{count} {'look' if many else 'looks'} {word} than the surface around "
    text += ("them, the largest " if many else "it, ") + wording.size(largest)
    if glossy and end >= _SHEEN_TOLD:
        text += f", its highlight surely at least {end:.2g} times as strong in this light"
    elif not glossy and end <= 1.0 / _SHEEN_TOLD:
        text += f", its highlight surely at most {end:.2g} times as strong in this light"
    if not sure:
        text += (
            f": whether that is beyond the limit of {limit:g} times cannot be told: wipe it and "
            "look along it under a low lamp, or"
        )
        return f"{text} {_LAMP_AGAIN}"
    if airbag:
        return f"{text}: {wording.AIRBAG_REFER}"
    # Over the whole panel, since a patch of top coat shows at its rim: common practice, no source.
    return (
        f"{text} (the limit is {limit:g} times): look at it under a low lamp; where it is so, "
        "re-coat the panel with top coat as its data sheet says and shoot again"
    )


def sheen_even_reason(within: float, *, limit: float, coloured: bool) -> str:
    """What is said of a panel on which no place of another sheen stands out.

    A place of 15 mm would have shown from `within` times on; infinite where that is not known.
    """
    if not coloured:
        return (
            "whether the sheen is even within it is not known: on a grey, black or white colour no "
            "photo tells shine from shade; look along it under a low lamp"
        )
    if within <= limit:
        return f"sheen even: no place of 15 mm is {limit:g} times glossier or duller than around it"
    seen = ""
    if within <= _SHEEN_SHOWN:
        seen = f" (a place of 15 mm would have shown from {within:.2g} times on)"
    return f"whether the sheen is even within it is not known{seen}: look along it under a low lamp"
