"""Other ways to the lost surface: a spare section, the opposite side, the shelf, and choosing."""

import importlib
import json
import sys
from datetime import date

import bpy
import numpy as np
import pytest

from blender_scan import add_scan, coordinates, everything, values
from gaploft.job_sources import DonorSettings, MirrorSettings, Region, ShelfSettings, WaySettings
from gaploft.shelf.store import read_entry
from spare_tube import (
    FROM_MM,
    LENGTH_MM,
    PLANE_MM,
    SWELL_MM,
    TO_MM,
    add_broken,
    add_pair,
    add_spare,
    off_truth_mm,
    on_spare,
    radius_mm,
    spare_arrays,
    tube,
)

#: A surface that shows most of the swell: the flanks alone show nothing of it.
SHOWN_MM = 0.25 * SWELL_MM
#: What is of one tube lies within the noise of the other's scan, mm.
FITS_MM = 0.03


def damage():
    return bpy.context.scene.gaploft.damage


def ways():
    return damage().ways


def source():
    return json.loads(damage().report)["source"]


def way(name):
    return next(way for way in source()["ways"] if way["name"] == name)


@pytest.fixture
def module(extension):
    return lambda name: importlib.import_module(f"{extension.__name__}.{name}")


def job(module):
    bpy.context.view_layer.update()
    return module("settings").job_of(bpy.context.scene, damage())


def worst_mm():
    """How far the surface lies off the original tube at most."""
    return float(np.abs(off_truth_mm(coordinates(damage().surface))).max())


@pytest.fixture(scope="module")
def donor_file(tmp_path_factory):
    """A file with a tube rebuilt from its spare section, the loft beside it."""
    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)
    add_broken()
    add_spare()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    file = tmp_path_factory.mktemp("ways") / "donor.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(file))
    return file


@pytest.fixture
def from_spare(blender, donor_file):
    bpy.ops.wm.open_mainfile(filepath=str(donor_file))
    return bpy.context.scene.gaploft


def test_the_plain_job_asks_for_nothing(module):
    add_broken()
    assert job(module).ways == WaySettings()
    assert module("ways_job").ways_key(damage(), job(module).ways) == []
    ways().use = "DONOR"
    assert job(module).ways == WaySettings(), "nothing is switched on, so nothing is chosen between"


def test_what_is_set_is_the_job(module, tmp_path):
    add_broken()
    add_spare()
    ways().donor_mirrored, ways().donor_limit_mm = True, 0.3
    ways().mirror_on, ways().mirror_limit_mm = True, 0.7
    bpy.context.scene.gaploft.shelf_folder = str(tmp_path)
    ways().shelf_on, ways().shelf_entry, ways().shelf_mirrored = True, "stay", True
    ways().use = "MIRROR"
    bpy.ops.gaploft.add_region()
    region = ways().regions[0]
    assert (region.from_mm, region.to_mm) == (0.0, TO_MM - FROM_MM), "all of the damage, until it is changed"
    region.from_mm, region.to_mm, region.use = 5.0, 30.0, "LOFT"
    made = job(module).ways
    assert made.donor == DonorSettings(mirrored=True, limit_mm=0.3)
    assert made.mirror == MirrorSettings(limit_mm=0.7)
    assert made.shelf == ShelfSettings(tmp_path, "stay", mirrored=True)
    assert (made.use, made.regions) == ("mirror", (Region(5.0, 30.0, "loft"),))
    bpy.ops.gaploft.remove_region()
    assert job(module).ways.regions == ()


def test_the_plane_is_told_in_the_frame_of_the_scan(module):
    scan = add_broken()
    plane = bpy.data.objects.new("plane", None)
    bpy.context.scene.collection.objects.link(plane)
    # A plane across x, 50 mm off the tube, in a scan that stands somewhere else in the scene.
    scan.location, scan.rotation_euler = (7.0, -3.0, 2.0), (0.0, 0.0, 0.5)
    bpy.context.view_layer.update()
    across = bpy.context.scene.cursor.matrix.Rotation(np.pi / 2, 4, "Y")
    plane.matrix_world = scan.matrix_world @ plane.matrix_world.Translation((50.0, 0.0, 0.0)) @ across
    ways().mirror_on, ways().mirror_plane = True, plane
    point, normal = job(module).ways.mirror.plane_mm
    np.testing.assert_allclose(point, (50.0, 0.0, 0.0), atol=1e-3)
    np.testing.assert_allclose(np.abs(normal), (1.0, 0.0, 0.0), atol=1e-5)


@pytest.mark.parametrize("given", [True, False])
def test_the_opposite_side_shows_it_too(given):
    add_pair()
    ways().mirror_on, ways().use = True, "MIRROR"
    if given:
        plane = bpy.data.objects.new("plane", None)
        bpy.context.scene.collection.objects.link(plane)
        plane.location, plane.rotation_euler = (PLANE_MM, 0.0, 0.0), (0.0, np.pi / 2, 0.0)
        ways().mirror_plane = plane
    bpy.context.view_layer.update()
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert source()["used"] == "mirror"
    found = way("mirror")["mirror"]
    assert found["given"] is given
    assert abs(found["normal"][0]) == pytest.approx(1.0, abs=1e-3)
    assert worst_mm() < SHOWN_MM


def test_a_spare_section_shows_what_the_flanks_do_not(from_spare):
    assert worst_mm() < SHOWN_MM
    assert source()["used"] == "donor"
    assert [way["name"] for way in source()["ways"]] == ["loft", "donor"]
    assert way("donor")["label"] == "spare"
    difference = values(damage().surface, "difference_loft")
    # The loft bridges the swell, which is highest in the middle of the damage.
    middle = np.abs(coordinates(damage().surface)[:, 2] - 120.0) < 3.0
    assert np.median(difference[middle]) == pytest.approx(-SWELL_MM, abs=0.5 * SWELL_MM)
    correction = values(damage().surface, "correction")
    rebuilt = values_of_zone(damage().surface) == 1
    told = way("donor")["correction"]["max_mm"]
    # The same map on a grid of its own, half a facet away at most.
    assert np.abs(correction[rebuilt]).max() == pytest.approx(told, abs=0.01)


def values_of_zone(surface):
    zone = np.empty(len(surface.data.vertices), dtype=np.int32)
    surface.data.attributes["zone"].data.foreach_get("value", zone)
    return zone


def test_nothing_of_the_persons_is_altered():
    scan = add_broken()
    spare = add_spare()
    before = everything(scan), everything(spare)
    bpy.ops.gaploft.mark_donor(on_tube=(15.0, 0.0, 60.0), on_donor=on_spare((15.0, 0.0, 60.0)))
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    bpy.ops.gaploft.clear_donor_marks()
    assert (everything(scan), everything(spare)) == before


def test_another_way_follows_from_what_is_kept(from_spare, monkeypatch):
    bpy.ops.gaploft.rebuild()
    pipeline = sys.modules["gaploft.pipeline"]

    def again(*_args, **_kwargs):
        raise AssertionError("the tube was looked for again")

    for name in ("isolate_tube", "prepared"):
        monkeypatch.setattr(pipeline, name, again)
    ways().use = "LOFT"
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert source()["used"] == "loft"
    assert off_truth_mm(coordinates(damage().surface)).min() < -0.5 * SWELL_MM
    assert "correction" not in damage().surface.data.attributes
    # What lay below the spare section's surface before now lies above the loft's.
    assert values(damage().surface, "difference_donor").max() > 0.5 * SWELL_MM
    ways().use = "DONOR"
    bpy.ops.gaploft.rebuild()
    assert worst_mm() < SHOWN_MM
    ways().donor_limit_mm = 0.4
    with pytest.raises(RuntimeError, match="looked for again"):
        bpy.ops.gaploft.rebuild()


def test_a_spare_section_that_was_changed_is_looked_at_anew(from_spare, module):
    bpy.ops.gaploft.rebuild()
    told = []
    work = module("task").task_of(bpy.context.scene, damage())
    work.run(lambda stage, share: told.append(stage))
    assert "tube" not in told
    ways().donor.data.vertices[0].co.x += 0.001
    module("task").task_of(bpy.context.scene, damage()).run(lambda stage, share: told.append(stage))
    assert "tube" in told


def test_the_mirrored_part_is_mirrored():
    add_broken()
    add_spare(mirrored=True)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert source()["used"] == "donor"
    assert worst_mm() < SHOWN_MM


@pytest.fixture
def nearly_alike(blender):
    """A swell that both ways show nearly alike, so that one can go over into the other."""
    add_broken(swell_mm=0.05)
    add_spare(swell_mm=0.05)
    bpy.ops.gaploft.add_region()
    region = ways().regions[0]
    region.from_mm, region.to_mm, region.use = -40.0, 90.0, "LOFT"


def test_regions_mix_two_ways(nearly_alike):
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert (source()["used"], source()["mixed_with"]) == ("donor", ["loft"])
    region = ways().regions[0]
    region.from_mm, region.to_mm = 20.0, 30.0
    with pytest.raises(RuntimeError, match="too short to go over"):
        bpy.ops.gaploft.rebuild()
    region.from_mm = 31.0
    with pytest.raises(RuntimeError, match="give the lower station first"):
        bpy.ops.gaploft.rebuild()


def test_one_place_marked_on_both(module):
    """Marks are kept in the frame of each scan, wherever that is moved to."""
    add_broken()
    spare = add_spare()
    at = np.array([radius_mm(60.0, 0.3) * np.cos(0.3), radius_mm(60.0, 0.3) * np.sin(0.3), 60.0])
    spare.location = (20.0, 10.0, 5.0)
    bpy.context.view_layer.update()
    on_donor = spare.matrix_world @ bpy.context.scene.cursor.location.__class__(on_spare(at))
    assert bpy.ops.gaploft.mark_donor(on_tube=at, on_donor=on_donor) == {"FINISHED"}
    on_tube, on_part = job(module).ways.donor.mark_mm
    np.testing.assert_allclose(on_tube, at, atol=1e-3)
    np.testing.assert_allclose(on_part, on_spare(at), atol=1e-3)
    spare.location = (0.0, 0.0, -50.0)
    np.testing.assert_allclose(job(module).ways.donor.mark_mm[1], on_spare(at), atol=1e-3)
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert way("donor")["placed"]["marked"]
    assert worst_mm() < SHOWN_MM
    assert bpy.ops.gaploft.clear_donor_marks() == {"FINISHED"}
    assert job(module).ways.donor.mark_mm is None
    with pytest.raises(RuntimeError, match="Nothing is marked"):
        bpy.ops.gaploft.clear_donor_marks()


def test_the_library_asks_for_a_mark(module):
    """A straight round tube with a swell in the damage of the spare section alone fits anywhere along it."""

    def round_tube(stations, seed, cut=None):
        vertices, quads = tube(stations, seed=seed, cut=cut)
        angle = np.arctan2(vertices[:, 1], vertices[:, 0])
        swell = SWELL_MM * np.exp(-(((vertices[:, 2] - 120.0) / 14.0) ** 2))
        noise = np.random.default_rng(seed).normal(0.0, 0.015, len(vertices))
        radius = 15.0 + swell + noise
        return np.column_stack([radius * np.cos(angle), radius * np.sin(angle), vertices[:, 2]]), quads

    add_scan(*round_tube(np.arange(0.0, LENGTH_MM, 2.2), 1, (FROM_MM, TO_MM)))
    bpy.ops.gaploft.mark_damage(from_point=(0.0, 0.0, FROM_MM), to_point=(0.0, 0.0, TO_MM))
    ways().donor = add_scan(*round_tube(np.arange(0.0, LENGTH_MM, 2.1), 2), name="spare")
    ways().donor_on = True
    bpy.ops.gaploft.rebuild()
    assert "mark one place" in way("donor")["refused"]
    at = (15.0, 0.0, 80.0)
    bpy.ops.gaploft.mark_donor(on_tube=at, on_donor=at)
    ways().use = "DONOR"
    bpy.ops.gaploft.rebuild()
    assert way("donor")["refused"] is None
    middle = np.abs(coordinates(damage().surface)[:, 2] - 120.0) < 2.0
    swollen = np.hypot(*coordinates(damage().surface)[middle, :2].T)
    assert swollen.mean() == pytest.approx(15.0 + SWELL_MM, abs=SHOWN_MM)


def test_a_spare_section_comes_in_beside_the_scan(tmp_path):
    scan = add_broken()
    vertices, quads = spare_arrays()
    spare = add_scan(vertices / 10.0, quads, name="out")
    for other in bpy.context.selected_objects:
        other.select_set(other == spare)
    path = tmp_path / "spare.stl"
    bpy.ops.wm.stl_export(filepath=str(path), export_selected_objects=True, forward_axis="Y", up_axis="Z")
    bpy.data.objects.remove(spare)
    before = everything(scan)
    assert bpy.ops.gaploft.import_donor(filepath=str(path), unit="cm") == {"FINISHED"}
    assert everything(scan) == before
    assert ways().donor_on
    donor = ways().donor
    np.testing.assert_allclose(np.ptp(coordinates(donor), axis=0), np.ptp(vertices, axis=0), atol=1e-3)
    right = max((scan.matrix_world @ scan.data.vertices[0].co.__class__(c)).x for c in scan.bound_box)
    left = min((donor.matrix_world @ donor.data.vertices[0].co.__class__(c)).x for c in donor.bound_box)
    assert left > right
    ops_damage = sys.modules["bl_ext.user_default.gaploft.ops_damage"]
    bpy.context.view_layer.objects.active = donor
    assert ops_damage.find_scan(bpy.context) == scan, "the spare section is not the scan"
    with pytest.raises(RuntimeError, match="give the unit"):
        bpy.ops.gaploft.import_donor(filepath=str(path))


def test_it_is_there_when_the_file_is_opened_again(from_spare, module, tmp_path):
    assert not module("settings").is_stale(bpy.context.scene, damage())
    assert len(values(damage().surface, "difference_loft")) == len(damage().surface.data.vertices)
    assert bpy.ops.gaploft.show_values(shown="DIFFERENCE") == {"FINISHED"}
    folder = tmp_path / "out"
    folder.mkdir()
    assert bpy.ops.gaploft.export_target(filepath=str(folder / "target.stl")) == {"FINISHED"}
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    assert report["source"]["used"] == "donor"
    assert {way["name"] for way in report["source"]["ways"]} == {"loft", "donor"}
    ways().use = "LOFT"
    assert module("settings").is_stale(bpy.context.scene, damage())


def test_colours_of_difference_and_correction(from_spare, module):
    overlay, legend, shown_values = (module(name) for name in ("overlay", "legend", "shown_values"))
    show = bpy.context.scene.gaploft.show
    for shown in ("DIFFERENCE", "CORRECTION"):
        assert bpy.ops.gaploft.show_values(shown=shown) == {"FINISHED"}
        painted = overlay.painted(bpy.context.scene)
        assert painted.scale.low_mm == -painted.scale.high_mm
        assert painted.worst.beyond == 0.0
    show.shown = "DIFFERENCE"
    assert shown_values.difference_way(bpy.context.scene) == "loft"
    assert "flanks" in legend._title(show)
    ways().donor_on = False
    bpy.ops.gaploft.rebuild()
    assert show.shown == "NONE", "there is nothing to be different from"
    with pytest.raises(RuntimeError, match="No other way was tried"):
        bpy.ops.gaploft.show_values(shown="DIFFERENCE")


@pytest.fixture
def shelf(tmp_path):
    folder = tmp_path / "shelf"
    folder.mkdir()
    bpy.context.scene.gaploft.shelf_folder = str(folder)
    return folder


def test_a_rebuilt_tube_goes_on_the_shelf_and_is_found_there(from_spare, shelf, capfd):
    # Whether the rebuild is at hand or has to be done again, the same tube comes to lie there.
    assert bpy.ops.gaploft.put_on_shelf(tube="stay") == {"FINISHED"}
    entry = read_entry(shelf / "stay.tube")
    assert (entry.name, entry.provenance.kind) == ("stay", "rebuilt")
    assert (entry.provenance.scan_file, entry.provenance.made) == ("scan", date.today().isoformat())
    with pytest.raises(RuntimeError, match="lies on the shelf already"):
        bpy.ops.gaploft.put_on_shelf(tube="stay")
    assert bpy.ops.gaploft.put_on_shelf(tube="whole", what="DONOR") == {"FINISHED"}
    assert read_entry(shelf / "whole.tube").provenance.kind == "intact"
    (shelf / "broken.tube").write_bytes(b"not a tube")
    ways().donor_on, ways().use = False, "SHELF"
    assert bpy.ops.gaploft.search_shelf() == {"FINISHED"}
    found = json.loads(ways().shelf_found)
    assert {candidate["name"] for candidate in found["candidates"]} == {"stay", "whole"}
    assert all(candidate["misfit_mm"] < FITS_MM for candidate in found["candidates"])
    assert [name for name, _ in found["skipped"]] == ["broken.tube"]
    assert "broken.tube" in capfd.readouterr().out
    assert bpy.ops.gaploft.take_tube(entry="whole") == {"FINISHED"}
    assert ways().shelf_on
    assert bpy.ops.gaploft.rebuild() == {"FINISHED"}
    assert source()["used"] == "shelf"
    assert way("shelf")["label"] == "whole"
    assert worst_mm() < SHOWN_MM
    bpy.ops.gaploft.take_tube(entry="whole")
    assert ways().shelf_entry == "", "pressed once more, the best one is taken"
    (shelf / "stay.tube").unlink()
    (shelf / "whole.tube").unlink()
    with pytest.raises(RuntimeError, match="none of the 0 tubes"):
        bpy.ops.gaploft.rebuild()


def test_nothing_fits(shelf, capfd, module):
    add_broken()
    vertices, quads = tube(np.arange(0.0, LENGTH_MM, 2.0), seed=9)
    ways().donor, ways().donor_on = add_scan(vertices * [1.2, 0.9, 1.0], quads, name="other"), True
    assert bpy.ops.gaploft.put_on_shelf(tube="other", what="DONOR") == {"FINISHED"}
    assert bpy.ops.gaploft.search_shelf() == {"FINISHED"}
    assert "Nothing fits; 1 searched" in capfd.readouterr().out
    assert not module("shelf_task").fits(json.loads(ways().shelf_found))


def test_a_shelf_beside_the_file(module, tmp_path):
    add_broken()
    state = bpy.context.scene.gaploft
    state.shelf_folder = "//tubes"
    with pytest.raises(RuntimeError, match="save it first"):
        bpy.ops.gaploft.search_shelf()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "job.blend"))
    assert module("ways_job").shelf_folder(bpy.context.scene) == tmp_path / "tubes"
    with pytest.raises(RuntimeError, match="can't be read"):
        bpy.ops.gaploft.search_shelf()


def test_hand_work_and_mixtures_stay_off_the_shelf(nearly_alike, shelf):
    bpy.ops.gaploft.rebuild()
    with pytest.raises(RuntimeError, match="mixed of several ways"):
        bpy.ops.gaploft.put_on_shelf(tube="stay")
    bpy.ops.gaploft.remove_region()
    bpy.ops.gaploft.rebuild()
    points = damage().surface.data.vertices
    for point in points[100:120]:
        point.co.x += 0.1
    with pytest.raises(RuntimeError, match="changed by hand"):
        bpy.ops.gaploft.put_on_shelf(tube="stay")
    assert not list(shelf.iterdir())


@pytest.mark.parametrize(
    ("how", "sentence"),
    [
        (lambda: setattr(ways(), "donor_on", True), "none is chosen"),
        (
            lambda: (setattr(ways(), "donor_on", True), setattr(ways(), "donor", damage().live("result"))),
            "is no spare section",
        ),
        (lambda: setattr(ways(), "shelf_on", True), "no shelf is chosen"),
        (lambda: (setattr(ways(), "mirror_on", True), setattr(ways(), "use", "DONOR")), "is switched off"),
    ],
)
def test_what_makes_no_job_is_told(how, sentence):
    add_broken()
    bpy.ops.gaploft.rebuild()
    how()
    with pytest.raises(RuntimeError, match=sentence):
        bpy.ops.gaploft.rebuild()


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: bpy.ops.gaploft.mark_donor(on_tube=(0.0, 0.0, 0.0)), "choose the spare section|Choose the"),
        (lambda: bpy.ops.gaploft.search_shelf(), "no shelf is chosen"),
        (lambda: bpy.ops.gaploft.put_on_shelf(tube="x"), "Rebuild the surface, or choose"),
        (lambda: bpy.ops.gaploft.add_region(), "Switch another way on"),
        (lambda: bpy.ops.gaploft.remove_region(), "no region on the list"),
        (lambda: bpy.ops.gaploft.write_shelf(), "Give a name"),
    ],
)
def test_buttons_say_what_is_missing(call, sentence):
    add_broken()
    with pytest.raises(RuntimeError, match=sentence):
        call()


def test_marks_ask_for_both_places():
    add_broken()
    add_spare()
    with pytest.raises(RuntimeError, match="give one place on both"):
        bpy.ops.gaploft.mark_donor(on_tube=(0.0, 0.0, 0.0))


def test_names_that_are_no_file_names(from_spare, shelf):
    with pytest.raises(RuntimeError, match="can't be the name"):
        bpy.ops.gaploft.put_on_shelf(tube="a/b")
    with pytest.raises(RuntimeError, match="can't be the name"):
        bpy.ops.gaploft.put_on_shelf(tube="  ")


def test_marks_go_with_their_damage():
    add_broken()
    add_spare()
    bpy.ops.gaploft.mark_donor(on_tube=(15.0, 0.0, 60.0), on_donor=on_spare((15.0, 0.0, 60.0)))
    assert "spare Here" in bpy.data.objects
    bpy.ops.gaploft.remove_damage()
    assert "spare Here" not in bpy.data.objects
    assert "spare" in bpy.data.objects
