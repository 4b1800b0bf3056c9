"""Patches in job files: what they give in millimetres, damage without its two ends, and every refusal."""

from dataclasses import replace

import numpy as np
import pytest

from gaploft.errors import InputError
from gaploft.job import Damage
from gaploft.job_file import read_job
from gaploft.job_patch import Crease, PatchSettings

SCAN = '[scan]\nfile = "scan.stl"\nunit = "cm"\n'
ENDS = "from = [0, 0, 10]\nto = [0, 0, 18]\n"
LOOP = [[1, 0, 0], [0, 2, 0], [-1, 0, 0.5], [0, -2, 0]]
PATCH = f"""
[patch]
use = "always"
outline = {LOOP}
guides = [[0, 0, 0.3]]
[[crease]]
points = [[0, -2, 0], [0, 0, 0.1], [0, 2, 0]]
radius = 2.5
[[crease]]
points = [[1, 0, 0], [-1, 0, 0]]
"""


@pytest.fixture
def read(tmp_path):
    def job(text):
        path = tmp_path / "job.toml"
        path.write_text(SCAN + text, encoding="utf-8")
        (tmp_path / "damaged.txt").write_text("7\n3\n", encoding="utf-8")
        return read_job(path).job

    return job


def test_without_the_tables_a_patch_is_made_where_no_tube_is(read):
    patch = read("[damage]\n" + ENDS).patch
    assert patch.same_as(PatchSettings())
    assert (patch.use, patch.outlines_mm, patch.creases, patch.guides_mm) == ("auto", (), (), None)


def test_places_are_in_the_unit_of_the_scan_and_radii_in_mm(read):
    patch = read("[damage]\n" + ENDS + PATCH).patch
    assert patch.use == "always"
    np.testing.assert_allclose(patch.outlines_mm, [10.0 * np.array(LOOP)], rtol=1e-15)
    np.testing.assert_allclose(patch.guides_mm, [[0.0, 0.0, 3.0]], rtol=1e-15)
    assert [crease.radius_mm for crease in patch.creases] == [2.5, 0.0]
    np.testing.assert_allclose(patch.creases[0].points_mm[1], [0.0, 0.0, 1.0], rtol=1e-15)
    assert patch.creases[1].points_mm.shape == (2, 3)


def test_several_outlines(read):
    text = f"[damage]\n{ENDS}[patch]\noutline = [{LOOP}, {LOOP[:3]}]\n"
    assert [len(loop) for loop in read(text).patch.outlines_mm] == [4, 3]


def test_ends_come_from_the_outline(read):
    """Its box is 2 x 4 x 0.5 cm around (0, 0, 0.25) cm, and longest along y."""
    damage = read(PATCH).damage
    assert damage.has_ends
    np.testing.assert_allclose([damage.from_mm, damage.to_mm], [[0, -20, 2.5], [0, 20, 2.5]], atol=1e-12)
    assert damage.source_vertices is None


def test_a_mask_alone_is_damage_without_ends(read):
    text = '[damage]\nmask = "damaged.txt"\n[patch]\nuse = "always"\n'
    damage = read(text).damage
    assert damage.source_vertices.tolist() == [3, 7]
    assert not damage.has_ends
    assert damage.same_as(read(text).damage)
    assert not damage.same_as(Damage(np.zeros(3), np.ones(3), damage.source_vertices))


def test_what_is_the_same():
    loop, other = np.arange(9.0).reshape(3, 3), np.ones((3, 3))
    patch = PatchSettings("always", (loop,), (Crease(loop, 1.0),), loop[:1])
    assert patch.same_as(replace(patch, outlines_mm=(loop.copy(),)))
    for changed in (
        {"use": "auto"},
        {"outlines_mm": (other,)},
        {"outlines_mm": (loop, loop)},
        {"creases": (Crease(loop, 2.0),)},
        {"creases": (Crease(other, 1.0),)},
        {"creases": ()},
        {"guides_mm": None},
    ):
        assert not patch.same_as(replace(patch, **changed))


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        ('"always"', '"sometimes"', '\'sometimes\', but must be "auto" or "always" or "never"'),
        ("guides = [[0, 0, 0.3]]", "guides = [0, 0, 0.3]", r"1 or more points \[x, y, z\]"),
        ("guides", "guide", "unknown key 'guide': did you mean guides"),
        (f"outline = {LOOP}", f"outline = {LOOP[:2]}", r"outline .* must be 3 or more points"),
        (f"outline = {LOOP}", "outline = []", "outline .* must be 3 or more points"),
        (f"outline = {LOOP}", "outline = 'x'", "outline .* must be 3 or more points"),
        (f"outline = {LOOP}", f"outline = [{LOOP}, [[1, 2, 3]]]", "or a list of such outlines"),
        (f"outline = {LOOP}", "outline = [[1, 2, 3], [1, 2], [4, 5, 6]]", "outline .* must be 3 or more"),
        ("radius = 2.5", "radius = -1", r"radius in \[\[crease\]\] 1 of .* must be 0 mm or more"),
        ("radius = 2.5", "radius = '2'", "must be a number of millimetres"),
        ("radius = 2.5", "rounded = 2", "unknown key 'rounded'"),
        ("points = [[1, 0, 0], [-1, 0, 0]]", "", r"\[\[crease\]\] 2 of .* lacks points: give 2 or more"),
        ("points = [[1, 0, 0], [-1, 0, 0]]", "points = [[1, 0, 0]]", "must be 2 or more points"),
        ("points = [[1, 0, 0], [-1, 0, 0]]", "points = [[1, 0, 0], [1, 0, 0]]", "are all the same place"),
        ("[[crease]]\npoints = [[1", "[patch.crease]\npoints = [[1", "unknown key 'crease'"),
        (
            'use = "always"',
            'use = "never"',
            r"has outline and guides and \[\[crease\]\] for a patch.*them, or",
        ),
        ('use = "always"', "", r"\[damage\] lacks from and to: add them$"),
        ("[patch]", "[damage]\nfrom = [0, 0, 0]\n[patch]", r"\[damage\] lacks to: add it$"),
        ("[patch]", '[damage]\nmask = "damaged.txt"\n[patch]', "the damage is given twice, by mask"),
        (f"outline = {LOOP}", "", r"lacks from and to: add them, or mask, or outline in \[patch\]$"),
    ],
)
def test_each_mistake_gets_its_sentence(read, old, new, sentence):
    read(PATCH)
    wrong = PATCH.replace(old, new, 1)
    assert wrong != PATCH
    with pytest.raises(InputError, match=sentence) as caught:
        read(wrong)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("crease", ["[crease]\npoints = [[0, 0, 0], [1, 0, 0]]\n", "crease = [[0, 0, 0]]\n"])
def test_one_crease_alone_is_a_list_too(tmp_path, crease):
    path = tmp_path / "job.toml"
    path.write_text(crease + SCAN + "[damage]\n" + ENDS)
    with pytest.raises(InputError, match=r"crease in job.toml must be a table: write \[\[crease\]\]"):
        read_job(path)


def test_one_thing_too_many_is_it(read):
    with pytest.raises(InputError, match=r"remove it, or let a patch be made"):
        read(f'[damage]\n{ENDS}[patch]\nuse = "never"\nguides = [[0, 0, 0]]\n')
