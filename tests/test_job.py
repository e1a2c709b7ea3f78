"""The job folder: what is accepted, and the one line that says what is not."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fullhide.errors import JobError
from fullhide.job import Colour, Limits, PartEntry, load_job, loose_job
from fullhide.locate import nearest_line, toml_lines

JOB = """\
name = "Kestrel, galley bench"

[[under]]                      # colours that must not show
name = "old green"
lab = [38.0, -28.0, 9.0]

[[under]]
name = "white transition coat"
lab = [93, -0.5, 2.0]

[finish]
name = "fox brown"
lab = [46.0, 21.0, 28.0]

[chart]
edition = "before-2014"
width_mm = 205.0

[limits]
show_through_delta_e = 3.5
confidence = 0.9

[[photo]]
file = "photos/left.jpg"
part = "bench, left"
stage = "coat"
coat = 5
also = ["photos/left_b.jpg"]
grey_board = "photos/board.jpg"

[[photo]]
file = "photos/right.jpg"
"""
PHOTOS = ("left.jpg", "left_b.jpg", "board.jpg", "right.jpg")


def make(folder: Path, text: str = JOB) -> Path:
    (folder / "photos").mkdir(exist_ok=True)
    for name in PHOTOS:
        (folder / "photos" / name).write_bytes(b"not opened by load_job")
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


def message(folder: Path, text: str) -> str:
    with pytest.raises(JobError) as caught:
        load_job(make(folder, text))
    said = str(caught.value)
    assert "\n" not in said
    assert said.startswith(str(folder))
    return said


def line_of(text: str, part: str) -> int:
    return text[: text.index(part)].count("\n") + 1


def test_a_whole_job_is_read_as_it_stands(tmp_path: Path) -> None:
    job = load_job(make(tmp_path))
    assert job.problems == ()
    assert job.name == "Kestrel, galley bench"
    assert [colour.name for colour in job.under] == ["old green", "white transition coat"]
    assert job.under[1].lab == (93.0, -0.5, 2.0)
    assert job.finish == Colour("fox brown", (46.0, 21.0, 28.0))
    assert (job.chart.edition, job.chart.lab, job.chart.width_mm) == ("before-2014", None, 205.0)
    left, right = job.photos
    assert (left.part, left.stage, left.coat) == ("bench, left", "coat", 5)
    assert (left.also, left.grey_board) == (("photos/left_b.jpg",), "photos/board.jpg")
    assert (right.part, right.stage, right.coat, right.also) == (None, "final", None, ())
    assert left.line == line_of(JOB, "[[photo]]")
    assert job.path(left.file).is_file()


def test_limits_left_out_have_the_documented_defaults(tmp_path: Path) -> None:
    # DESIGN.md, "The job folder".
    assert Limits() == Limits(
        show_through_delta_e=3.0,
        show_through_mm2=1.0,
        uneven_delta_e=2.0,
        match_delta_e=2.0,
        confidence=0.95,
        viewing_distance_mm=500.0,  # issue 3: "at the stated viewing distance (default 500 mm)"
    )
    limits = load_job(make(tmp_path)).limits
    assert (limits.show_through_delta_e, limits.confidence) == (3.5, 0.9)
    assert (limits.show_through_mm2, limits.uneven_delta_e, limits.match_delta_e) == (1.0, 2.0, 2.0)


def test_a_minimal_job_needs_a_name_and_a_photo_only(tmp_path: Path) -> None:
    job = load_job(make(tmp_path, 'name = "x"\n[[photo]]\nfile = "photos/left.jpg"\n'))
    assert (job.under, job.finish, job.outlines, job.problems) == ((), None, (), ())
    assert (job.chart.edition, job.chart.width_mm) == ("after-2014", None)
    assert job.needs_proposal("photos/left.jpg")


def test_the_shops_own_chart_values_replace_the_edition(tmp_path: Path) -> None:
    rows = ",\n".join(f"[{20 + row}, 0.5, -1]" for row in range(24))
    job = load_job(make(tmp_path, JOB.replace('edition = "before-2014"', f"lab = [\n{rows}\n]")))
    assert job.chart.edition is None
    assert job.chart.lab is not None
    assert len(job.chart.lab) == 24
    assert job.chart.lab[23] == (43.0, 0.5, -1.0)


def test_windows_line_ends_and_a_byte_order_mark_are_no_mistake(tmp_path: Path) -> None:
    make(tmp_path)
    (tmp_path / "job.toml").write_bytes(b"\xef\xbb\xbf" + JOB.replace("\n", "\r\n").encode())
    assert load_job(tmp_path).photos[0].line == line_of(JOB, "[[photo]]")


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("show_through_delta_e", "show_throgh_delta_e", "did you mean `show_through_delta_e`?"),
        ("[limits]", "[limit]", "did you mean `limits`?"),
        ("width_mm", "width", "did you mean `width_mm`?"),
        (
            "[finish]",
            "[qqqqqq]",
            (
                "known are name, under, thread, finish, reference, chart, card, limits, part, "
                "tints, shop, photo"
            ),
        ),
        ("lab = [38.0, -28.0, 9.0]", "lab = [38.0, -28.0]", "three numbers"),
        ("lab = [38.0, -28.0, 9.0]", "lab = [138.0, -28.0, 9.0]", "L from 0 to 100"),
        ("lab = [38.0, -28.0, 9.0]", "lab = [38.0, -128.5, 9.0]", "-128 to 128"),
        ("lab = [38.0, -28.0, 9.0]", 'lab = ["38", -28.0, 9.0]', "three numbers"),
        ("lab = [38.0, -28.0, 9.0]", "lab = [nan, -28.0, 9.0]", "three numbers"),
        ("lab = [38.0, -28.0, 9.0]", "lab = true", "three numbers"),
        ("lab = [38.0, -28.0, 9.0]", "", "`lab` is missing in [[under]] 1"),
        ("white transition coat", "Old  Green", 'two [[under]] tables are named "Old Green"'),
        ("white transition coat", "  ", "is empty"),
        ("white transition coat", "\\u001b[31m", "cannot be printed"),
        ("width_mm = 205.0", "width_mm = 0", "above 0"),
        ("width_mm = 205.0", "width_mm = inf", "above 0"),
        ("width_mm = 205.0", 'width_mm = "205"', "is '205'"),
        ("before-2014", "after-2015", '"after-2014" or "before-2014"'),
        ("width_mm = 205.0", "lab = [[1, 2, 3]]", "has 1 rows; a chart has 24"),
        ("confidence = 0.9", "confidence = 0.5", "above 0.5"),
        ("confidence = 0.9", "confidence = 0.9999", "below 0.9999"),
        ("confidence = 0.9", "viewing_distance_mm = 99.9", "from 100 to 10000"),
        ("confidence = 0.9", "viewing_distance_mm = 10001.0", "from 100 to 10000"),
        ("show_through_delta_e = 3.5", "show_through_delta_e = -3", "above 0"),
        ("show_through_delta_e = 3.5", "show_through_delta_e = 1979-05-27", "above 0"),
        ("[finish]", "[[finish]]", "a [finish] table"),
        ("[[photo]]", "[photos]", "did you mean `photo`?"),
        ("[limits]", "[[part]]\nname = 'seat'\n[limits]", "[[part]] 1 lists nothing to shoot"),
        ("[limits]", "[[part]]\nregions = ['a']\n[limits]", "`name` is missing in [[part]] 1"),
        (
            "[limits]",
            "[[part]]\nname = 'seat'\nregions = ['A']\nseams = ['a']\n[limits]",
            'lists "a" twice',
        ),
        (
            "[limits]",
            "[[part]]\nname = 'seat'\nregions = 'a'\n[limits]",
            "a list of names in quotes",
        ),
        (
            "[limits]",
            "[[part]]\nname = 'seat'\nseams = ['a']\nairbag = 'yes'\n[limits]",
            "true or false",
        ),
        ("[limits]", "[part]\nname = 'seat'\n[limits]", "one or more [[part]] tables"),
        (
            "[limits]",
            2 * "[[part]]\nname = 'seat'\nseams = ['a']\n" + "[limits]",
            'two [[part]] tables are named "seat"; give each part its own name',
        ),
    ],
)
def test_a_mistake_that_touches_the_whole_job_is_one_line_with_its_place(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    text = JOB.replace(old, new, 1) if old != "[[photo]]" else JOB[: JOB.index(old)] + "[photos]\n"
    said = message(tmp_path, text)
    assert expected in said
    assert re.search(r"job\.toml, line \d+: ", said)


def test_the_line_given_is_the_line_of_the_key(tmp_path: Path) -> None:
    text = JOB.replace("confidence = 0.9", "confidence = 9")
    assert f"line {line_of(text, 'confidence')}: " in message(tmp_path, text)
    text = JOB.replace("lab = [93,", "lab = [930,")
    assert f"line {line_of(text, 'lab = [930')}: " in message(tmp_path, text)
    text = JOB.replace("lab = [93, -0.5, 2.0]", "lab = [\n  93,\n  'x',\n  2.0,\n]")
    assert f"line {line_of(text, chr(39) + 'x')}: " in message(tmp_path, text)


def test_of_several_mistakes_the_first_in_the_file_is_named(tmp_path: Path) -> None:
    text = JOB.replace("confidence", "confidense").replace('edition = "', 'edition = "x')
    assert "`edition` in [chart]" in message(tmp_path, text)


def test_edition_and_own_values_together_are_refused(tmp_path: Path) -> None:
    rows = ", ".join("[50, 0, 0]" for _ in range(24))
    said = message(tmp_path, JOB.replace("width_mm = 205.0", f"lab = [{rows}]"))
    assert "both `edition` and `lab`" in said


@pytest.mark.parametrize(
    ("text", "line", "expected"),
    [
        ('name = "x"\n[chart\n', 2, "is not valid TOML"),
        ('name = "x"\nname = "y"\n', 2, "is not valid TOML"),
        ('name = "x', 1, "is not valid TOML"),
        ("", None, "`name` is missing"),
        ('name = "x"\n', None, "names no photo"),
        ('photo = 3\nname = "x"\n', 1, "must be one or more [[photo]] tables"),
        ('photo = [3]\nname = "x"\n', 1, "must be one or more [[photo]] tables"),
    ],
)
def test_a_file_that_is_no_job_says_so(
    tmp_path: Path, text: str, line: int | None, expected: str
) -> None:
    said = message(tmp_path, text)
    assert expected in said
    assert (f"line {line}:" in said) if line else (", line" not in said)


def test_deep_nesting_is_no_traceback(tmp_path: Path) -> None:
    assert "job file" in message(tmp_path, "a = " + "[" * 100_000)


def test_what_is_not_utf8_is_named_with_its_line(tmp_path: Path) -> None:
    make(tmp_path)
    (tmp_path / "job.toml").write_bytes(b'name = "x"\n# gr\xfcn\n')
    with pytest.raises(JobError, match="line 2: is not UTF-8"):
        load_job(tmp_path)


def test_a_folder_that_is_no_job_folder_says_so(tmp_path: Path) -> None:
    with pytest.raises(JobError, match=r"holds no job\.toml"):
        load_job(tmp_path)
    with pytest.raises(JobError, match="is not there"):
        load_job(tmp_path / "nowhere")
    (tmp_path / "file").write_text("x")
    with pytest.raises(JobError, match="is a file, not a job folder"):
        load_job(tmp_path / "file")
    (tmp_path / "job.toml").mkdir()
    with pytest.raises(JobError, match="cannot be read"):
        load_job(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('stage = "coat"', 'stage = "coating"', '"before", "coat", "topcoat" or "final"'),
        ('stage = "coat"', 'stage = "final"', "`coat` without stage"),
        ("coat = 5", "coat = 0", "a whole number from 1"),
        ("coat = 5", "coat = 2.5", "a whole number from 1"),
        ("stage =", "stagge =", "did you mean `stage`?"),
        ('file = "photos/left.jpg"', "", "`file` is missing in [[photo]] 1"),
        ('"photos/left.jpg"', '""', "is empty"),
        ('"photos/left.jpg"', '"/etc/hostname"', "leads out of the job folder"),
        ('"photos/left.jpg"', '"photos/../../x.jpg"', "leads out of the job folder"),
        ('"photos/left.jpg"', '"C:/x.jpg"', "leads out of the job folder"),
        ('"photos/left.jpg"', '"photos/gone.jpg"', "is not in the job folder"),
        ('"photos/left.jpg"', '"photos/LEFT.JPG"', "did you mean `photos/left.jpg`?"),
        ('"photos/left.jpg"', '"photos/left.png"', "did you mean `photos/left.jpg`?"),
        ('"photos/left.jpg"', '"photos/a\\u0000b.jpg"', "is not in the job folder"),
        ('"photos/left.jpg"', '"photos"', "is a folder"),
        ('"photos/left.jpg"', "3", "a path in quotes"),
        ('also = ["photos/left_b.jpg"]', 'also = "photos/left_b.jpg"', "a list of paths"),
    ],
)
def test_a_wrong_photo_is_left_out_and_the_others_stay(
    tmp_path: Path, old: str, new: str, expected: str
) -> None:
    job = load_job(make(tmp_path, JOB.replace(old, new, 1)))
    assert [photo.file for photo in job.photos] == ["photos/right.jpg"]
    (problem,) = job.problems
    assert expected in str(problem)
    assert "job.toml, line " in str(problem)


@pytest.mark.parametrize("key", ["also", "grey_board"])
def test_a_missing_helper_photo_is_said_and_its_photo_stays(tmp_path: Path, key: str) -> None:
    job = load_job(make(tmp_path))
    gone = job.photos[0].also[0] if key == "also" else str(job.photos[0].grey_board)
    job.path(gone).unlink()
    job = load_job(tmp_path)
    assert len(job.photos) == 2
    (problem,) = job.problems
    assert f"`{gone}`" in str(problem)
    assert f"line {line_of(JOB, key + ' =')}:" in str(problem)
    assert (job.photos[0].also == ()) == (key == "also")


def test_a_photo_named_twice_is_used_once(tmp_path: Path) -> None:
    job = load_job(make(tmp_path, JOB.replace("photos/right.jpg", "./photos//left.jpg")))
    assert [photo.file for photo in job.photos] == ["photos/left.jpg"]
    (problem,) = job.problems
    assert "named a second time" in str(problem)


def test_loose_photos_make_a_job_and_missing_ones_a_problem(tmp_path: Path) -> None:
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"x")
    green = Colour("green", (38.0, -28.0, 9.0))
    job = loose_job([photo, photo, tmp_path / "gone.jpg", tmp_path], under=[green])
    assert [job.path(entry.file) for entry in job.photos] == [photo]
    assert [str(problem).split(": ")[1].split(";")[0] for problem in job.problems] == [
        "is not there",
        "is a folder without a job.toml",
    ]
    assert job.under == (green,)
    assert job.needs_proposal(job.photos[0].file)


TRICKY = '''\
# a comment = "[not a table]"
"quoted.key" = "stray ] and [" # and [ here
text = """
[fake]
key = 1 \\""" still inside
""""
dotted.a.b = 1
list = [ # a comment with ] in it
  1, "]", [2,
   3], {x = 1, "y z" = [4,
   5]},
]

[[t]]
a = 1
[t.sub]
b = 2
[[t]]
a = 3
  [t."s.ub"]
  c = """x"""
[[t.inner]]
d = 1979-05-27T07:32:00Z
[[t.inner]]
d = 2
[last]
z = 0xF
'''


@pytest.mark.parametrize(
    ("path", "part"),
    [
        (("quoted.key",), '"quoted.key"'),
        (("text",), "text ="),
        (("dotted", "a", "b"), "dotted.a.b"),
        (("list", 2, 1), "3], {x"),
        (("list", 3, "y z", 1), "5]}"),
        (("t", 0, "a"), "a = 1"),
        (("t", 0, "sub", "b"), "b = 2"),
        (("t", 1, "a"), "a = 3"),
        (("t", 1, "s.ub", "c"), "c ="),
        (("t", 1, "inner", 0, "d"), "d = 1979"),
        (("t", 1, "inner", 1), "[[t.inner]]\nd = 2"),
        (("last", "z"), "z = 0xF"),
    ],
)
def test_keys_are_found_whatever_stands_around_them(path: tuple[str | int, ...], part: str) -> None:
    assert toml_lines(TRICKY)[path] == line_of(TRICKY, part)


def test_the_nearest_table_stands_in_for_a_key_that_is_missing() -> None:
    lines = toml_lines("[a]\nb = 1\n")
    assert nearest_line(lines, ("a", "zzz", 3)) == 1
    assert nearest_line(lines, ("other",)) is None


KEY = st.text("abc", min_size=1, max_size=2)
VALUE = st.sampled_from(["1", "'#'", '"]"', "[1,\n 2]", '"""\n[x]\n"""', "{ q = [\n1] }", "-1e3"])


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.booleans(), KEY, VALUE), max_size=6))
def test_every_key_that_the_parser_sees_gets_the_line_it_starts_on(
    tables: list[tuple[bool, str, str]],
) -> None:
    text = ""
    expected: dict[tuple[str | int, ...], int] = {}
    for index, (comment, key, value) in enumerate(tables):
        text += "# [c]\n" if comment else "\n"
        text += "[[t]]\n"
        expected[("t", index, key)] = text.count("\n") + 1
        text += f"{key} = {value}\n"
    tomllib.loads(text)  # the outside judge: the text is valid TOML
    lines = toml_lines(text)
    assert {path: lines[path] for path in expected} == expected


def test_what_has_to_be_shot_is_read_by_part(tmp_path: Path) -> None:
    table = (
        '[[part]]\nname = "bench  left"\nregions = ["seat"]\nseams = ["front seam"]\n'
        "airbag = true\n[limits]"
    )
    make(tmp_path, JOB.replace("[limits]", table, 1))
    job = load_job(tmp_path)
    part = PartEntry(name="bench left", regions=("seat",), seams=("front seam",), airbag=True)
    assert job.parts == (part,)
    assert job.part("Bench left") == part
    assert job.part("bench right") is None
    assert job.part(None) is None


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("2026-03-14T16:20:00", "2026-03-14T16:20:00"),
        ("2026-03-14 16:20:00.5", "2026-03-14T16:20:00"),
        ("2026-03-14T16:20:00+02:00", "2026-03-14T16:20:00"),
    ],
)
def test_the_time_of_a_shot_is_the_shops_own(tmp_path: Path, written: str, read: str) -> None:
    make(tmp_path, JOB.replace("[[photo]]", f"[[photo]]\nshot = {written}", 1))
    assert load_job(tmp_path).photos[0].shot == read


def test_a_shot_that_is_no_time_is_a_mistake_of_that_photo(tmp_path: Path) -> None:
    make(tmp_path, JOB.replace("[[photo]]", '[[photo]]\nshot = "yesterday"', 1))
    assert "such as 2026-03-14T16:20:00" in str(load_job(tmp_path).problems[0])
