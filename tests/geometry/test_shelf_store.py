"""Files of tubes: read by general means from the description alone, and refused when anything is wrong.

The form is this project's own; zip and NumPy's array format are read here by Python's and NumPy's readers,
neither of which the library uses for its arrays.
"""

import hashlib
import io
import json
import zipfile
from dataclasses import asdict, replace

import numpy as np
import pytest
from scipy.interpolate import BSpline
from scipy.spatial.transform import Rotation

from gaploft.errors import InputError
from gaploft.shelf import form
from gaploft.shelf.model import Entry, Provenance
from gaploft.shelf.store import read_entry, read_head, write_entry
from shelf_tubes import KINDS, anywhere, scanned, tube

PROVENANCE = Provenance(
    "stay left.stl", "ab" * 32, "intact", 0.021, "2024-05-17", "bench 3, “as new”", "gaploft 1"
)
ARRAYS = ("descriptor", "section", "moves", "solution", "known_at", "spread")


def entry_of(number, seed=0):
    return Entry(f"tube {number}", scanned(tube(number), 0.01, np.random.default_rng(seed)), PROVENANCE)


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """A bent, twisted-looking stay and its file."""
    path = tmp_path_factory.mktemp("shelf") / "stay.tube"
    entry = entry_of(KINDS.index("d_section"))
    return path, entry, write_entry(path, entry)


def parts_of(path):
    """Fields and arrays of a file, by general readers."""
    with zipfile.ZipFile(path) as package:
        assert package.testzip() is None
        fields = json.loads(package.read("tube.json"))
        arrays = {n: np.load(io.BytesIO(package.read(f"{n}.npy")), allow_pickle=False) for n in ARRAYS}
    return fields, arrays


def grid(shape, n=31):
    u, v = np.meshgrid(np.linspace(*shape.range_u, n), np.linspace(0.1, 6.2, 37), indexing="ij")
    return u.ravel(), v.ravel()


def test_what_is_read_is_the_tube_that_was_written(written):
    path, entry, back = written
    again = read_entry(path)
    assert (again.name, again.provenance) == (entry.name, PROVENANCE)
    assert again.sha256 == back.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    u, v = grid(entry.shape)
    there = entry.shape.surface.evaluate(u, v)
    own = again.shape.surface.evaluate(u - u[0], v)
    _, off = Rotation.align_vectors(there - there.mean(axis=0), own - own.mean(axis=0))
    assert off / np.sqrt(len(u)) < 1e-8, "the same surface but for a motion without reflection"
    assert again.shape.range_u[0] == 0.0
    np.testing.assert_allclose(again.shape.spread(u - u[0], v), entry.shape.spread(u, v), rtol=1e-9)


def test_any_reader_of_zip_and_arrays_can_read_it(written):
    path, entry, _ = written
    with zipfile.ZipFile(path) as package:
        assert package.namelist() == ["tube.json", *(f"{name}.npy" for name in ARRAYS)]
        for member in package.infolist():
            assert member.compress_type == zipfile.ZIP_STORED
            assert member.date_time == (1980, 1, 1, 0, 0, 0)
        fields = json.loads(package.read("tube.json"))
        for name in ARRAYS:
            hashed = hashlib.sha256(package.read(f"{name}.npy")).hexdigest()
            assert fields["arrays"][name]["sha256"] == hashed
    assert (fields["format"], fields["version"], fields["unit"]) == ("gaploft tube", 1, "mm")
    assert fields["provenance"]["note"] == PROVENANCE.note
    _, arrays = parts_of(path)
    np.testing.assert_array_equal(arrays["solution"], entry.shape.solution)
    np.testing.assert_array_equal(arrays["section"], entry.shape.sweep.section)
    np.testing.assert_array_equal(arrays["moves"], entry.shape.sweep.moved_mm)
    assert arrays["descriptor"].dtype == np.float32


def test_the_description_of_the_form_is_enough_to_evaluate_the_surface(written):
    """As DEVELOPERS.md says it: a section, moved along an arc, and heights along its normals."""
    path, _, back = written
    fields, arrays = parts_of(path)
    p, stations = fields["degree"], fields["stations"]
    inner = np.linspace(stations["start"], stations["stop"], stations["spans"] + 1)
    knots = np.concatenate([[inner[0]] * p, inner, [inner[-1]] * p])

    def around(coefficients):
        n = len(coefficients)
        turn = np.arange(-p, n + p + 1) * (2.0 * np.pi / n)
        return BSpline(turn, np.concatenate([coefficients, coefficients[:p]]), p)

    solution, radius, k = arrays["solution"], fields["radius_mm"], fields["curvature_per_mm"]
    moves, section = BSpline(knots, solution[:, :6], p), around(arrays["section"])

    def swept(u, v):
        shift_x, shift_y, *ends = moves(u)
        x_axis = np.array([1.0, 0.0]) + np.array(ends[:2]) / radius
        y_axis = np.array([0.0, 1.0]) + np.array(ends[2:]) / radius
        x, y = section(v)
        n, b = np.array([shift_x, shift_y]) + x * x_axis + y * y_axis
        return np.array([(1.0 / k - n) * np.sin(k * u), 1.0 / k - (1.0 / k - n) * np.cos(k * u), b])

    for u, v in [(11.0, 0.3), (80.0, 2.0), (150.0, 4.4), (222.0, 5.9)]:
        h = 1e-4
        slope_u, slope_v = (swept(u + h, v) - swept(u - h, v)), (swept(u, v + h) - swept(u, v - h))
        normal = np.cross(slope_u, slope_v)
        middle = np.mean([swept(u, a) for a in np.arange(16) * np.pi / 8.0], axis=0)
        normal *= np.sign(normal @ (swept(u, v) - middle)) / np.linalg.norm(normal)
        height = around(BSpline(knots, solution[:, 6:], p)(u))(v)
        # The library refits one spline to this, some ten-thousandths of a mm away.
        assert np.linalg.norm(swept(u, v) + height * normal - back.shape.surface.evaluate(u, v)) < 2e-3


def test_the_same_tube_gives_the_same_bytes_and_in_another_pose_nearly_the_same(written, tmp_path):
    path, entry, _ = written
    write_entry(tmp_path / "again.tube", entry)
    assert (tmp_path / "again.tube").read_bytes() == path.read_bytes()
    posed = replace(entry, shape=anywhere(entry.shape, np.random.default_rng(5)))
    write_entry(tmp_path / "posed.tube", posed)
    (_, one), (_, other) = parts_of(path), parts_of(tmp_path / "posed.tube")
    for name in ARRAYS:
        np.testing.assert_allclose(
            other[name], one[name], rtol=0.0, atol=1e-4 if name == "descriptor" else 1e-9
        )


@pytest.mark.parametrize("number", range(len(KINDS)), ids=KINDS)
def test_a_file_is_small(number, tmp_path):
    """150 KB for 300 mm, and a head that one look at the disk reads."""
    entry = entry_of(number)
    write_entry(tmp_path / "a.tube", entry)
    length = np.ptp(entry.shape.range_u)
    assert (tmp_path / "a.tube").stat().st_size < 150_000 * length / 300.0
    head = read_head(tmp_path / "a.tube")
    assert len(head.descriptor) == pytest.approx(length / 3.0 + 1.0, abs=2.0)
    assert (head.name, head.provenance) == (entry.name, entry.provenance)


def refused(path, *, head=True):
    """The sentences that a file is refused with."""
    sentences = []
    for read in (read_entry, read_head) if head else (read_entry,):
        with pytest.raises(InputError) as caught:
            read(path)
        sentences.append(str(caught.value))
    for sentence in sentences:
        assert str(path) in sentence
        assert "\n" not in sentence
    return sentences[0]


def test_a_file_that_is_cut_or_added_to_is_refused(written, tmp_path):
    data = written[0].read_bytes()
    bad = tmp_path / "bad.tube"
    for size in (0, 3, 29, 30, 400, 1500, 5000, len(data) // 2, len(data) - 1):
        bad.write_bytes(data[:size])
        refused(bad)
    bad.write_bytes(data + b"\0")
    assert "bytes long" in refused(bad)


def test_sizes_that_lie_are_refused(written, tmp_path):
    """What a zip folder says of the descriptor's size, before the descriptor itself."""
    data, bad = bytearray(written[0].read_bytes()), tmp_path / "bad.tube"
    at = data.index(b"descriptor.npy", data.index(b"PK\x03\x04", 4)) - 12
    for size in (0, 100, 60_000, 2**31):
        data[at : at + 8] = size.to_bytes(4, "little") * 2
        bad.write_bytes(data)
        with pytest.raises(InputError, match="bad"):
            read_head(bad)


def test_no_changed_byte_changes_a_tube(written, tmp_path):
    """Either the file is refused, or the byte is one that a zip folder says twice or that means nothing."""
    data, shape = written[0].read_bytes(), written[2].shape
    bad = tmp_path / "bad.tube"
    unnoticed = 0
    for at in np.unique(np.linspace(0, len(data) - 1, 500).astype(int)):
        bad.write_bytes(data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :])
        try:
            read = read_entry(bad)
        except InputError:
            continue
        unnoticed += 1
        assert (read.name, read.provenance) == ("tube 7", PROVENANCE)
        np.testing.assert_array_equal(read.shape.solution, shape.solution)
        np.testing.assert_array_equal(read.shape.sweep.section, shape.sweep.section)
    assert unnoticed < 25


def changed(path, where, *, fields=None, arrays=None):
    """A file that holds other fields or arrays, with sizes and hashes that are right."""
    old, held = parts_of(path)
    old = {name: value for name, value in old.items() if name not in ("arrays", "format", "version", "unit")}
    where.write_bytes(form.packed({**old, **(fields or {})}, {**held, **(arrays or {})}))
    return where


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"version": 2}, "is of version 2, but this program reads version 1"),
        ({"format": "something else"}, "is no tube's file"),
        ({"unit": "in"}, "is no tube's file"),
        ({"name": 7}, "does not say its name"),
        ({"name": "two\nlines"}, "does not say its name"),
        ({"provenance": {**asdict(PROVENANCE), "note": 7}}, "does not say where it is from"),
        ({"provenance": {**asdict(PROVENANCE), "made": 2024}}, "does not say where it is from"),
        ({"provenance": {"scan_file": "a.stl"}}, "does not say where it is from"),
    ],
)
def test_foreign_heads_are_refused(written, tmp_path, fields, sentence):
    assert sentence in refused(changed(written[0], tmp_path / "a.tube", fields=fields))


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"degree": 3}, "number that no tube has"),
        ({"radius_mm": 0.0}, "number that no tube has"),
        ({"curvature_per_mm": "much"}, "lacks a number"),
        ({"stations": {"start": 0.0, "stop": 1e999, "spans": 9}}, "number that no tube has"),
        ({"stations": {"start": 0.0, "stop": 300.0, "spans": 9}}, "shapes do not go together"),
        ({"spans_around": 10**9}, "shapes do not go together"),
    ],
)
def test_numbers_that_no_tube_has_are_refused(written, tmp_path, fields, sentence):
    path = tmp_path / "a.tube"
    text = json.dumps(fields)
    if "Infinity" in text:
        with pytest.raises(ValueError, match="not JSON compliant"):
            changed(written[0], path, fields=fields)
        return
    assert sentence in refused(changed(written[0], path, fields=fields), head=False)


@pytest.mark.parametrize(
    ("name", "make", "sentence"),
    [
        ("solution", lambda a: a[:, :-1], "shapes do not go together"),
        ("section", lambda a: a[:4], "shapes do not go together"),
        ("known_at", lambda a: a[::-1], "out of order"),
        ("known_at", lambda a: a[:-1], "shapes do not go together"),
        ("spread", lambda a: -a, "below 0"),
        ("moves", lambda a: np.where(np.arange(6) == 2, np.nan, a), "not finite"),
        ("descriptor", lambda a: a[:, :-1], "descriptor of the wrong shape"),
        ("descriptor", lambda a: a.astype(np.float64), "descriptor of the wrong shape"),
    ],
)
def test_arrays_that_no_tube_has_are_refused(written, tmp_path, name, make, sentence):
    _, arrays = parts_of(written[0])
    path = changed(written[0], tmp_path / "a.tube", arrays={name: make(arrays[name])})
    assert sentence in refused(path, head=name == "descriptor")


def with_member(monkeypatch, written, path, name, data):
    """A file in which one array is other bytes, with its hash."""
    packed = form._npy
    _, arrays = parts_of(written[0])
    shape = arrays[name].shape
    monkeypatch.setattr(form, "_npy", lambda array: data if array.shape == shape else packed(array))
    changed(written[0], path)
    monkeypatch.undo()
    return path


def test_objects_and_bombs_are_refused_before_anything_is_unpacked(written, tmp_path, monkeypatch):
    pickled = io.BytesIO()
    np.save(pickled, np.array([{"a": 1}], dtype=object), allow_pickle=True)
    path = with_member(monkeypatch, written, tmp_path / "a.tube", "solution", pickled.getvalue())
    assert "no array of floating-point numbers" in refused(path, head=False)
    head = b"{'descr': '<f8', 'fortran_order': False, 'shape': (9999999, 9999999), }\n"
    huge = b"\x93NUMPY\x01\x00" + len(head).to_bytes(2, "little") + head
    path = with_member(monkeypatch, written, tmp_path / "b.tube", "solution", huge)
    assert "cut short" in refused(path, head=False)
    with zipfile.ZipFile(tmp_path / "c.tube", "w", zipfile.ZIP_DEFLATED) as package:
        package.writestr("tube.json", b" " * 10_000_000)
    assert "is no tube's file" in refused(tmp_path / "c.tube")


def test_other_files_are_refused(written, tmp_path):
    other = tmp_path / "a.tube"
    for data in (b"solid a\nendsolid a\n", b"PK\x05\x06" + bytes(18), bytes(range(256)) * 100):
        other.write_bytes(data)
        assert "is no tube's file" in refused(other)
    with zipfile.ZipFile(other, "w") as package:
        package.writestr("tube.json", "[" * 5000)
    assert "is no tube's file" in refused(other)
    assert "can't be read" in refused(tmp_path / "missing.tube")
    assert "can't be read" in refused(tmp_path)


def test_what_is_too_large_for_a_tube_is_not_read(written, tmp_path, monkeypatch):
    monkeypatch.setattr("gaploft.shelf.store.MOST_BYTES", 1000)
    assert "larger than any" in refused(written[0], head=False)
    with pytest.raises(InputError, match="put a shorter stretch"):
        write_entry(tmp_path / "a.tube", written[1])
    assert not list(tmp_path.iterdir())


def test_a_file_is_written_whole_or_not_at_all(written, tmp_path, monkeypatch):
    path = tmp_path / "a.tube"
    path.write_bytes(b"as it was")
    with pytest.raises(InputError, match="can't be written"):
        write_entry(tmp_path / "missing" / "a.tube", written[1])
    other = read_entry(written[0]).shape.sweep.section + 1e-9
    monkeypatch.setattr("gaploft.shelf.store.unpacked", lambda data: _with_section(data, other))
    with pytest.raises(InputError, match="another tube when read back"):
        write_entry(path, written[1])
    assert path.read_bytes() == b"as it was"
    assert [p.name for p in tmp_path.iterdir()] == ["a.tube"]


def _with_section(data, section):
    fields, arrays = form.unpacked(data)
    return fields, {**arrays, "section": section}


def test_wrong_calls_are_errors_of_the_caller(written, tmp_path):
    entry = written[1]
    with pytest.raises(ValueError, match=r"ends with \.tube"):
        write_entry(tmp_path / "a.zip", entry)
    with pytest.raises(ValueError, match="not finite"):
        write_entry(
            tmp_path / "a.tube",
            replace(entry, shape=replace(entry.shape, spread_mm=np.full((12, 16), np.inf))),
        )
    knots = entry.shape.sweep.basis.knots_u.copy()
    knots[10] += 0.1
    uneven = replace(entry.shape.sweep, basis=replace(entry.shape.sweep.basis, knots_u=knots))
    with pytest.raises(ValueError, match="not even"):
        write_entry(tmp_path / "a.tube", replace(entry, shape=replace(entry.shape, sweep=uneven)))
    with pytest.raises(ValueError, match="one line of text"):
        replace(entry, name="a\nb")


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("scan_file", "folder/a.stl"),
        ("scan_file", ""),
        ("scan_sha256", "AB" * 32),
        ("kind", "new"),
        ("noise_mm", float("nan")),
        ("noise_mm", -0.01),
        ("made", "17.5.2024"),
    ],
)
def test_where_a_tube_is_from_has_to_be_said_rightly(field, value):
    with pytest.raises(ValueError, match=field):
        replace(PROVENANCE, **{field: value})
