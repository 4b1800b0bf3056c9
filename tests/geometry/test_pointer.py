"""Pointing at a scan: the place and the ring there, against tubes whose centres are known by formula."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import plain_tube
from gaploft.errors import InputError
from gaploft.tube.cloud import Cloud, cloud_of, mesh_cloud, pointed_at
from gaploft.tube.pointer import ring_at

LENGTH_MM = 160.0


def tube(radius=16.0, *, aspect=1.0, taper=0.0, bend_mm=np.inf, step_mm=0.8, noise_mm=0.02, keep=None):
    """Points and outward normals of a tube along z, oval in x, bent in the xz plane about x = ``bend_mm``.

    ``keep(z, angle)`` says what of it is seen.
    """
    rng = np.random.default_rng(4)
    n = int(LENGTH_MM * 2 * np.pi * radius * max(1.0, aspect) / step_mm**2)
    z, angle = rng.uniform(0.0, LENGTH_MM, n), rng.uniform(-np.pi, np.pi, n)
    if keep is not None:
        seen = keep(z, angle)
        z, angle = z[seen], angle[seen]
    size = radius + taper * z
    flat = np.column_stack([aspect * size * np.cos(angle), size * np.sin(angle)])
    normal = np.column_stack([np.cos(angle) / aspect, np.sin(angle), np.full(len(z), -taper)])
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    points = np.column_stack([flat, z]) + rng.normal(0.0, noise_mm, (len(z), 1)) * normal
    return bent(points, bend_mm), bent(normal, bend_mm, at=z)


def bent(vectors, bend_mm, at=None):
    """Points wound onto a circle in the xz plane; with ``at`` directions, turned as the axis is there."""
    if np.isinf(bend_mm):
        return vectors
    turn = (vectors[:, 2] if at is None else at) / bend_mm
    x, y, z = vectors.T
    if at is None:
        return np.column_stack([bend_mm - (bend_mm - x) * np.cos(turn), y, (bend_mm - x) * np.sin(turn)])
    return np.column_stack([x * np.cos(turn) + z * np.sin(turn), y, z * np.cos(turn) - x * np.sin(turn)])


def centre_at(z, bend_mm=np.inf):
    return bent(np.array([[0.0, 0.0, z]]), bend_mm)[0]


def cloud_from(*parts, pose=None):
    points, normals = (np.concatenate(arrays) for arrays in zip(*parts, strict=True))
    if pose is not None:
        points, normals = pose[0].apply(points) + pose[1], pose[0].apply(normals)
    return cloud_of(points, normals)


def poses():
    turns = Rotation.random(6, random_state=8)
    shifts = np.random.default_rng(8).uniform(-300.0, 300.0, (6, 3))
    return [(Rotation.identity(), np.zeros(3)), *zip(turns, shifts, strict=True)]


SHAPES = {
    "cylinder": {},
    "thin": {"radius": 6.0, "step_mm": 0.6},
    "wide": {"radius": 40.0, "step_mm": 1.5},
    "cone": {"radius": 13.0, "taper": 0.05},
    "oval": {"radius": 10.0, "aspect": 2.2},
    "stay": {"radius": 8.0, "bend_mm": 120.0},
}


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("pose", poses())
def test_ring_of_a_tube_in_any_pose(shape, pose):
    options = SHAPES[shape]
    cloud = cloud_from(tube(**options), pose=pose)
    radius, aspect = options.get("radius", 16.0), options.get("aspect", 1.0)
    taper, bend = options.get("taper", 0.0), options.get("bend_mm", np.inf)
    for angle in (0.0, 0.8, np.pi / 2, 2.5):
        size = radius + taper * 80.0
        z = 80.0
        place = bent(np.array([[aspect * size * np.cos(angle), size * np.sin(angle), z]]), bend)
        ring = ring_at(cloud, pose[0].apply(place)[0] + pose[1])
        assert ring is not None
        expected = pose[0].apply(centre_at(z, bend)) + pose[1]
        assert np.linalg.norm(ring.centre_mm - expected) < 0.08 * size * aspect
        axis = pose[0].apply([np.sin(z / bend), 0.0, np.cos(z / bend)])
        assert abs(ring.direction @ axis) > np.cos(np.radians(4.0))
        found = pose[0].inv().apply(ring.outline_mm - pose[1])
        if np.isinf(bend):
            level = np.hypot(found[:, 0] / aspect, found[:, 1]) - (radius + taper * found[:, 2])
            assert np.abs(level).max() < 0.05 * size


def moved(part, shift, turn=None):
    points, normals = part
    if turn is not None:
        points, normals = turn.apply(points), turn.apply(normals)
    return points + shift, normals


def ragged(z, angle):
    """A tube that ends between 70 and 90 mm, where half of a ring or less is left, with a slit down to 50."""
    return (z < 80.0 + 10.0 * np.cos(angle)) & ~((np.abs(angle - 2.0) < 0.15) & (z > 50.0))


@pytest.mark.parametrize("bend_mm", [np.inf, 120.0])
@pytest.mark.parametrize("z", [60.0, 70.0, 80.0, 88.0])
def test_ring_at_a_ragged_rim_is_the_tubes(z, bend_mm):
    cloud = cloud_from(tube(radius=14.0, bend_mm=bend_mm, keep=ragged))
    ring = ring_at(cloud, bent(np.array([[14.0, 0.0, z]]), bend_mm)[0])
    assert ring is not None
    carried = max(0.0, z - 66.0)  # from the last whole ring, straight on, which a bend leaves by its sagitta
    assert np.linalg.norm(ring.centre_mm - centre_at(z, bend_mm)) < 0.1 * 14.0 + carried**2 / (2 * bend_mm)
    assert ring.radius_mm == pytest.approx(14.0, rel=0.05)


def test_half_a_tube_is_completed():
    """Seen from one side only, there is no whole ring anywhere."""
    half = tube(radius=14.0, keep=lambda _z, angle: np.abs(angle) < np.pi / 2)
    ring = ring_at(cloud_from(half), (14.0, 0.0, 80.0))
    assert ring is not None
    assert np.linalg.norm(ring.centre_mm - (0.0, 0.0, 80.0)) < 0.05 * 14.0
    assert ring.radius_mm == pytest.approx(14.0, rel=0.03)


@pytest.mark.parametrize("angle", [0.0, 1.5, np.pi])
def test_a_tube_close_by_is_none_of_the_ring(angle):
    """One beside it at 1.5 mm, one across in front of it at 2 mm."""
    cross = Rotation.from_rotvec([0.0, np.pi / 2, 0.0])
    other, across = moved(tube(12.0), (27.5, 0.0, 0.0)), moved(tube(10.0), (-60.0, -28.0, 80.0), cross)
    cloud = cloud_from(tube(14.0), other, across)
    ring = ring_at(cloud, (14.0 * np.cos(angle), 14.0 * np.sin(angle), 80.0))
    assert ring is not None
    assert np.linalg.norm(ring.centre_mm - (0.0, 0.0, 80.0)) < 0.05 * 14.0
    assert ring.radius_mm == pytest.approx(14.0, rel=0.02)


def test_the_inside_of_the_wall_is_none_of_the_ring():
    points, normals = tube(12.0)
    cloud = cloud_from(tube(14.0), (points, -normals))
    ring = ring_at(cloud, (0.0, 14.0, 80.0))
    assert ring is not None
    assert ring.radius_mm == pytest.approx(14.0, rel=0.02)


def test_no_ring_where_no_tube_is():
    flat = np.column_stack([np.random.default_rng(1).uniform(-300.0, 300.0, (20_000, 2)), np.zeros(20_000)])
    sheet = cloud_of(flat, np.tile([0.0, 0.0, 1.0], (20_000, 1)))
    assert ring_at(sheet, (0.0, 0.0, 0.0)) is None
    assert ring_at(cloud_from(tube()), (60.0, 0.0, 80.0)) is None
    for half_angle in (0.6, 0.8, 0.95):
        strip = tube(14.0, keep=lambda _z, angle, half=half_angle: np.abs(angle) < half)
        assert ring_at(cloud_from(strip), (14.0, 0.0, 80.0)) is None


def hit(cloud, origin, towards):
    return pointed_at(cloud, origin, np.subtract(towards, origin))


@pytest.mark.parametrize("pose", poses())
def test_a_ray_stops_at_the_first_surface_that_faces_it(pose):
    turn, shift = pose
    cloud = cloud_from(tube(14.0), moved(tube(12.0), (60.0, 0.0, 0.0)), pose=pose)

    def ray(origin, towards):
        found = hit(cloud, turn.apply(origin) + shift, turn.apply(towards) + shift)
        return None if found is None else turn.inv().apply(found - shift)

    np.testing.assert_allclose(ray([-900.0, 0, 80.0], [0, 0, 80.0]), [-14.0, 0.0, 80.0], atol=0.1)
    np.testing.assert_allclose(ray([900.0, 0, 75.0], [0, 0, 75.0]), [72.0, 0.0, 75.0], atol=0.1)
    slanted = ray([-400.0, 0.0, -320.0], [-14.0, 0.0, 80.0])
    np.testing.assert_allclose(slanted, [-14.0, 0.0, 80.0], atol=0.15)
    assert ray([-900.0, 17.0, 80.0], [0, 17.0, 80.0]) is None
    assert ray([-900.0, 0.0, 80.0], [-1000.0, 0.0, 80.0]) is None
    assert ray([0.0, 0.0, 80.0], [-100.0, 0.0, 80.0]) is None  # from within, all faces away


def test_a_ray_follows_the_pointer_and_not_the_points():
    cloud = cloud_from(tube(16.0, noise_mm=0.0))
    for y in np.linspace(-8.0, 8.0, 23):
        place = hit(cloud, (500.0, y, 80.0), (0.0, y, 80.0))
        np.testing.assert_allclose(place[1:], [y, 80.0], atol=1e-9)
        assert np.hypot(*place[:2]) == pytest.approx(16.0, abs=cloud.spacing_mm**2 / 16.0 * 2.0)


def sheet_mesh(n_rows, n_row):
    """A flat grid as a mesh in single precision, normals along z."""
    k = np.arange(n_rows * n_row)
    flat = np.column_stack([k % n_row, k // n_row, np.zeros(len(k))]).astype(np.float32)
    a = k.reshape(n_rows, n_row)[:-1, :-1].ravel()
    faces = np.concatenate([[a, a + 1, a + 1 + n_row], [a, a + 1 + n_row, a + n_row]], axis=1).T
    return flat, faces.astype(np.int32)


@pytest.mark.parametrize("n_row", [377, 400, 987])
def test_thinned_points_leave_no_large_gap(n_row):
    """Rows of 377 or 987 points are Fibonacci numbers, for which a plain multiplicative hash forms clumps."""
    flat, faces = sheet_mesh(400, n_row)
    cloud = mesh_cloud(flat, faces, most=len(flat) // 20)
    assert len(cloud.points_mm) == pytest.approx(len(flat) / 20, rel=0.05)
    assert cloud.spacing_mm == pytest.approx(np.sqrt(20.0), rel=0.1)
    again = mesh_cloud(flat, faces, most=len(flat) // 20)
    np.testing.assert_array_equal(cloud.points_mm, again.points_mm)
    rng = np.random.default_rng(2)
    for x, y in rng.uniform([8.0, 8.0], [n_row - 8.0, 392.0], (300, 2)):
        np.testing.assert_allclose(pointed_at(cloud, (x, y, 50.0), (0.0, 0.0, -1.0)), [x, y, 0.0], atol=1e-9)


@pytest.mark.parametrize("most", [700, 10**6])
@pytest.mark.parametrize("inside_out", [False, True])
def test_normals_of_a_mesh_point_outwards(most, inside_out):
    """Those of a cylinder are its radii, as exactly as facets of 3 degrees allow."""
    vertices, faces = plain_tube.open_tube(radius=16.0, length=200.0, n_u=41, n_v=120)
    cloud = mesh_cloud(vertices / 25.4, faces[:, ::-1] if inside_out else faces, mm_per_unit=25.4, most=most)
    radii = cloud.points_mm * (1.0, 1.0, 0.0) / 16.0
    np.testing.assert_allclose(cloud.normals, radii, atol=np.radians(3.0))
    assert len(cloud.points_mm) == pytest.approx(min(most, len(vertices)), rel=0.1)


def test_what_is_no_number_or_has_no_face_is_left_out():
    vertices, faces = plain_tube.open_tube(radius=16.0, length=200.0, n_u=41, n_v=120)
    vertices = np.concatenate([vertices, [[500.0, 0.0, 0.0]]])
    vertices[77] = np.nan
    cloud = mesh_cloud(vertices, faces)
    assert len(cloud.points_mm) == len(vertices) - 2
    assert np.isfinite(cloud.normals).all()


@pytest.mark.parametrize("faces", [np.empty((0, 3), np.int32), np.array([[0, 0, 0], [1, 2, 1]])])
def test_a_mesh_without_faces_can_not_be_pointed_at(faces):
    with pytest.raises(InputError, match="must be a triangle mesh"):
        mesh_cloud(np.random.default_rng(1).normal(size=(50, 3)), faces)


@pytest.mark.parametrize(
    ("points", "normals"),
    [
        (np.zeros((5, 3)), np.zeros((5, 3))),
        (np.zeros((20, 3)), np.zeros((19, 3))),
        (np.full((20, 3), np.nan), np.zeros((20, 3))),
    ],
)
def test_a_cloud_needs_finite_points_and_their_normals(points, normals):
    with pytest.raises(ValueError, match=r"needed|finite"):
        cloud_of(points, normals)


def test_spacing_is_that_of_a_grid():
    x, y = np.meshgrid(np.arange(60.0), np.arange(60.0))
    points = np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) * 0.5
    cloud = cloud_of(points, np.tile([0.0, 0.0, 1.0], (x.size, 1)))
    assert isinstance(cloud, Cloud)
    assert cloud.spacing_mm == pytest.approx(0.5, rel=0.35)
