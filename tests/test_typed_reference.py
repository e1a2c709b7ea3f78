"""A match with a colour that no photo shows: spectra by colour-science, truth our phantoms'."""

from __future__ import annotations

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from photo_files import jpeg, picture
from skimage.color import deltaE_ciede2000
from staged import CLEAN, GREEN, box_outline, fit_leaving, job_of, rendered
from test_lights import in_lights, matched

from fullhide._colour_science import colour
from fullhide._record_codec import asked_of, photo_from, photo_json
from fullhide.checks.apart import Calibrated, match_typed
from fullhide.checks.match import Patch
from fullhide.colour import WHITE_D50, lab_to_xyz
from fullhide.engine import inspect_photo
from fullhide.errors import JobError
from fullhide.job import Job, Limits, TypedReference, load_job
from fullhide.outlines import RegionOutline
from fullhide.phantom import save_photo
from fullhide.result import Matched, PhotoResult
from fullhide.spectrum import read_spectrum, spectrum_lab

FOX = (46.0, 21.0, 28.0)
WHERE = [(60, 60), (840, 60), (840, 420), (60, 420)]
NAMES = (*range(0, 24, 5), 23)


def patch(number: int, step: int):
    """Wavelengths and reflectances of a chart's patch, measured data of colour-science."""
    spectra = colour().SDS_COLOURCHECKERS["ColorChecker N Ohta"]
    ends = (400, 700) if step == 20 else (380, 780)
    return list(spectra.values())[number].copy().align(colour().SpectralShape(*ends, step))


def by_astm_e308(curve) -> np.ndarray:
    """CIE Lab, D50, 2°, by colour-science's tables of weights."""
    science, two = colour(), "CIE 1931 2 Degree Standard Observer"
    with warnings.catch_warnings():  # that it aligns tables
        warnings.simplefilter("ignore")
        xyz = science.colorimetry.sd_to_XYZ_ASTME308(
            curve, science.MSDS_CMFS[two], science.SDS_ILLUMINANTS["D50"]
        )
    return np.asarray(science.XYZ_to_Lab(xyz / 100.0, science.CCS_ILLUMINANTS[two]["D50"]))


@pytest.mark.parametrize("step", [5, 10, 20])
@pytest.mark.parametrize("number", NAMES)
def test_a_spectrum_is_the_colour_that_it_is(tmp_path: Path, step: int, number: int) -> None:
    curve = patch(number, step)
    file = tmp_path / "a.csv"
    rows = zip(curve.wavelengths, curve.values, strict=True)
    file.write_text("nm,R\n" + "".join(f"{nm:g},{value:.6f}\n" for nm, value in rows))
    found = spectrum_lab(read_spectrum(file))
    # Own tolerance, ΔE00: what tables for 20 nm and sums over 1 nm may differ by.
    assert deltaE_ciede2000(by_astm_e308(curve), np.array(found)) < 0.06


def test_the_perfect_white_is_white(tmp_path: Path) -> None:
    file = tmp_path / "w.csv"
    file.write_text("\n".join(f"{nm} 1.0" for nm in range(400, 710, 10)))
    assert spectrum_lab(read_spectrum(file)) == pytest.approx((100.0, 0.0, 0.0), abs=1e-9)


FORMS = {
    "percent": "nm,%R\n" + "\n".join(f"{nm},{nm / 1000:.2f}" for nm in range(400, 710, 10)),
    "percent by its size": "\n".join(f"{nm}\t{nm / 10:.1f}" for nm in range(400, 710, 10)),
    "decimal comma": "\n".join(f"{nm};0,{nm}" for nm in range(400, 710, 10)),
    "two rows": "nm," + ",".join(f"{nm}nm" for nm in range(400, 710, 10)) + "\nred oxide,"
    + ",".join(f"0.{nm}" for nm in range(400, 710, 10)),
    "backwards": "\r\n".join(f"{nm} 0.{nm}" for nm in range(700, 390, -10)),
}  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
def test_the_forms_that_programs_write_are_read(tmp_path: Path, form: str) -> None:
    file = tmp_path / "a.csv"
    file.write_text(FORMS[form])
    nm, values = read_spectrum(file)
    assert nm.tolist() == list(range(400, 710, 10))
    assert values == pytest.approx(nm / (1e5 if form == "percent" else 1e3))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "holds no spectrum"),
        ("\n".join(f"{nm},0.5" for nm in range(420, 710, 10)), "covers 420 to 700 nm"),
        ("\n".join(f"{nm},0.5" for nm in range(400, 710, 50)), "steps of 50 nm"),
        ("400,0.5\n" * 2 + "700,0.5", "a wavelength twice"),
        ("400,0.5\n410,x\n", "line 2: holds something that is no number"),
        ("400,0.5,0.6\n", "3 numbers in a row"),
        ("\n".join(f"{nm},-0.5" for nm in range(400, 710, 10)), "no surface has"),
        ("\n".join(f"{nm},nan" for nm in range(400, 710, 10)), "number that is none"),
        ("\n".join(f"0.{nm},0.5" for nm in range(400, 710, 10)), "no light in nm"),
    ],
)
def test_what_is_no_spectrum_is_refused_in_a_sentence(tmp_path, text: str, says: str) -> None:
    file = tmp_path / "a.csv"
    file.write_text(text)
    with pytest.raises(JobError) as caught:
        read_spectrum(file)
    said = str(caught.value)
    assert says in said
    assert said.startswith(str(file))
    assert "\n" not in said


def job_with(folder: Path, table: str, *, part: str = "door") -> Job:
    (folder / "p.jpg").write_bytes(jpeg(picture()))
    spectrum = "\n".join(f"{nm},0.5" for nm in range(400, 710, 10))
    (folder / "grey.csv").write_text(spectrum)
    text = f'name = "x"\n{table}\n[[part]]\nname = "door"\nregions = ["seat"]\n'
    (folder / "job.toml").write_text(f'{text}[[photo]]\nfile = "p.jpg"\npart = "{part}"\n')
    return load_job(folder)


def test_a_job_names_references_typed_or_measured(tmp_path: Path) -> None:
    table = (
        '[[reference]]\nname = "sample"\nlab = [46.0, 21.0, 28.0]\n[[reference]]\nname = "tile"\n'
        'spectrum = "grey.csv"\nu = 0.2\npart = "Door"\nregions = ["seat"]\n'
    )
    job = job_with(tmp_path, table)
    sample, tile = job.references
    assert (sample.lab, sample.u) == (FOX, 0.5)
    # CIE 1976: L* of half the light of a perfect white.
    assert tile.lab == pytest.approx((116.0 * 0.5 ** (1 / 3) - 16.0, 0.0, 0.0), abs=1e-6)
    assert job.reference("door", "Seat") == tile
    assert job.reference("door", "back") == sample == job.reference(None, "seat")
    assert asked_of(job)["references"][1]["name"] == "tile"
    assert "references" not in asked_of(replace(job, references=()))


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ("", "neither `lab` nor `spectrum`"),
        ('lab = [1, 2, 3]\nspectrum = "grey.csv"', "both `lab` and `spectrum`"),
        ("lab = [101.0, 2.0, 3.0]", "L from 0 to 100"),
        ('spectrum = "none.csv"', "`none.csv` is not in the job folder"),
        ('spectrum = "../grey.csv"', "out of the job folder"),
        ('lab = [1.0, 2.0, 3.0]\npart = "dor"', "did you mean `door`?"),
        ('lab = [1.0, 2.0, 3.0]\nregions = ["saet"]', "did you mean `seat`?"),
        ("lab = [1.0, 2.0, 3.0]\nu = 9.0", "0.05 to 5"),
        (
            'lab = [1.0, 2.0, 3.0]\n[[reference]]\nname = "b"\nlab = [1.0, 2.0, 3.0]',
            'is for the same as "a"',
        ),
    ],
)
def test_what_a_reference_cannot_be_is_said(tmp_path: Path, keys: str, says: str) -> None:
    with pytest.raises(JobError) as caught:
        job_with(tmp_path, f'[[reference]]\nname = "a"\n{keys}\n')
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def dyed(folder: Path, lab, *more: RegionOutline, **entry) -> PhotoResult:
    save_photo(rendered(CLEAN), folder / "p.png")
    job = job_of(folder, [box_outline(WHERE, name="dyed"), *more], **entry)
    job = replace(job, references=(TypedReference(name="old sample", lab=lab),))
    return inspect_photo(job, job.photos[0]).result


def test_a_photo_is_held_against_a_typed_colour(tmp_path: Path) -> None:
    off = dyed(tmp_path, GREEN[1])
    region = off.regions[0]
    assert region.verdict == "fail"
    assert any(' off the typed reference "old sample" by ' in reason for reason in region.reasons)
    assert region.reference == Matched(kind="typed", name="old sample")
    assert photo_json(off)["regions"][0]["reference"] == {"kind": "typed", "name": "old sample"}
    assert photo_from(photo_json(off)).regions[0].reference == region.reference
    true = rendered(CLEAN).truth.finish_lab
    region = dyed(tmp_path, (true[0], true[1], true[2] + 3.0)).regions[0]
    least, most = (region.measures[f"match_at_{end}"].value for end in ("least", "most"))
    asked = np.array(true) + np.array([0.0, 0.0, 3.0])
    assert least <= deltaE_ciede2000(asked, np.array(true), kL=2) <= most
    assert region.verdict == "retake"  # near the limit
    assert any("lay a sample of that colour beside the part" in why for why in region.reasons)


@pytest.mark.parametrize("stage", ["before", "coat"])
def test_only_finished_parts_are_held_against_it(tmp_path: Path, stage: str) -> None:
    assert dyed(tmp_path, FOX, stage=stage).regions[0].reference is None


def test_a_reference_beside_the_panel_counts_before_a_typed_one(tmp_path: Path) -> None:
    old = box_outline([(470, 60), (840, 60), (840, 420), (470, 420)], kind="reference", name="old")
    region = dyed(tmp_path, GREEN[1], old).regions[0]
    assert region.reference == Matched(kind="beside")
    assert region.measures["match_delta_e"].value < 1.0


def seen(lab, *, left: float = 0.0, shine: float = 0.0) -> Calibrated:
    """A colour under so much shine, by a chart whose fit leaves so much of every patch."""
    xyz = lab_to_xyz(lab) + shine * WHITE_D50
    return Calibrated(patch=Patch(xyz=xyz), fit=fit_leaving(left), light="grey board")


def typed(finish: Calibrated | None, *, u: float = 0.5, doubts=(), **limits):
    reference = TypedReference(name="s", lab=FOX, u=u)
    return match_typed(finish, reference, doubts=doubts, limits=Limits(**limits))


def test_what_the_fit_leaves_and_the_readings_own_doubt_count_in_full() -> None:
    variances = []
    for left, u in ((0.0, 0.5), (2.0, 0.5), (0.0, 1.0)):
        measures = typed(seen(FOX, left=left), u=u).measures
        variances.append([measures[f"match_d{axis}"].u ** 2 for axis in "Lab"])
    plain, fit, reading = np.array(variances)
    assert fit - plain == pytest.approx(np.full(3, 2.0**2), rel=1e-6)
    assert reading - plain == pytest.approx(np.full(3, 1.0**2 - 0.5**2), rel=1e-6)


@pytest.mark.parametrize("shine", [0.0, 0.012, 0.02])
def test_usual_shine_and_none_are_within_the_doubt(shine: float) -> None:
    measures = typed(seen(FOX, shine=shine), u=0.05).measures
    assert measures["match_at_least"].value == 0.0


def test_what_forbids_it_is_told_and_nothing_passes() -> None:
    for outcome in (typed(None), typed(seen(FOX), doubts=("the chart reflects the lamp",))):
        assert outcome.verdict == "retake"
        assert outcome.measures["match_delta_e"].value is None
        assert 'typed reference "s"' in outcome.reasons[0]


def test_lights_say_nothing_of_a_typed_colour(tmp_path: Path) -> None:
    shots = [("daylight", matched(0.1, 1.0)), ("warm LED", matched(3.0, 5.0))]
    held = Matched(kind="typed", name="s")
    told = [(light, replace(region, reference=held)) for light, region in shots]
    assert in_lights(tmp_path, *told)[1].lights == ()
