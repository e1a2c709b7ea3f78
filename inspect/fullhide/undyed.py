"""A region that is not the finish at all: left undyed, or of another colour than was asked for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from fullhide import wording
from fullhide.checks.outcome import Outcome
from fullhide.colour import lab_to_xyz
from fullhide.job import Colour
from fullhide.result import Verdict
from fullhide.surface import misfit

__all__ = ["whole_region"]

Vector = NDArray[np.float64]

#: By so much less a colour beneath has to misfit a region than the finish, squared standard
#: deviations, to be what the region shows (a hundred times likelier), or to keep it from passing
#: (twice as likely); and from here on a colour does not fit it (our own choices).
_SURELY, _LIKELIER, _UNFIT = 9.0, 1.5, 8.0
#: The same where no chart says what the camera made of the colours (our own choice).
_RELATIVE = 3.0
#: Without a named finish: a region may be the colour beneath that misfits it by less (two standard
#: deviations, our own choice).
_NEAR = 4.0


def whole_region(
    seen: Vector,
    *,
    finish: Colour | None,
    under: Sequence[Colour],
    light_doubt: float,
    dim: bool,
    airbag: bool,
    calibrated: bool = True,
) -> Outcome | None:
    """Hold a region's own colour against the finish and the colours beneath.

    Parameters
    ----------
    seen
        XYZ(D50) of the region as the photo shows it, (3,).
    finish, under
        The colours named in the job.
    light_doubt, dim
        As `surface.misfit` takes them.
    airbag
        Whether the region may hold an airbag, so that no work on it is advised.
    calibrated
        Whether the colours are; by the camera's own nothing fails, and less is held against it.

    Returns
    -------
    Outcome or None
        Fail: it is a colour beneath. Retake: it may be one, or is no named colour at all. None:
        it is the finish, as far as can be told.
    """

    def off(colour: Colour, *, dim: bool = dim) -> float:
        return float(misfit(seen, lab_to_xyz(colour.lab), light_doubt=light_doubt, dim=dim))

    if finish is None:
        # Nothing is held against it: in the shade too much would look like it.
        near = [colour for colour in under if off(colour, dim=False) < _NEAR]
        return _told("retake", wording.unnamed_finish(near[0].name)) if near else None
    own = off(finish)
    other, name = min(((off(u), u.name) for u in under), default=(np.inf, ""))
    if not calibrated:
        likely = own - other > _RELATIVE
        return _told("retake", wording.maybe_undyed(name)) if likely else None
    if own - other > _LIKELIER and other < _UNFIT:
        if own - other > _SURELY:
            return _told("fail", wording.undyed(name, airbag=airbag))
        return _told("retake", wording.maybe_undyed(name))
    if own > _UNFIT:
        return _told("retake", wording.NOT_THE_FINISH)
    return None


def _told(verdict: Verdict, why: str) -> Outcome:
    return Outcome(check="show_through", verdict=verdict, reasons=(why,))
