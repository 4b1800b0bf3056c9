"""Colours for values on a surface, to be told apart with any colour vision.

Signed millimetres run from a light middle to a dark petrol below and a dark rust above; half widths from
light to a dark plum. Lightness alone says how much, hue only says which way, so that either reads with any
of the three deficiencies of colour vision and on grey paper. Beyond its range a scale jumps to a much
darker colour; what was not seen is a plain grey.

All is mixed in Oklab (B. Ottosson, "A perceptual color space for image processing", 2020; matrices from
memory, checked in the tests), where equal steps look about equal.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gaploft.checks import as_positive

Floats = NDArray[np.float64]

_LMS_FROM_RGB = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_LAB_FROM_ROOTS = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
#: Colours of a table; their steps are far below what an eye tells apart.
_STEPS = 512

# Lightness, chroma and hue in degrees.
_MIDDLE = (0.955, 0.015, 95.0)
_BELOW = ((0.72, 0.095, 225.0), (0.47, 0.105, 240.0))
_ABOVE = ((0.74, 0.120, 62.0), (0.49, 0.135, 42.0))
_WIDE = ((0.75, 0.085, 350.0), (0.46, 0.130, 335.0))
_FAR_BELOW, _FAR_ABOVE, _FAR_WIDE = (0.20, 0.070, 265.0), (0.25, 0.085, 30.0), (0.20, 0.075, 325.0)
_INTACT, _REBUILT = (0.86, 0.030, 225.0), (0.58, 0.130, 60.0)
_UNSEEN = (0.60, 0.0, 0.0)
#: Lightness alone tells these apart, hue helps.
_ORIGINS = ((0.86, 0.055, 225.0), (0.66, 0.135, 60.0), (0.40, 0.110, 335.0))


@dataclass(frozen=True)
class ColourScale:
    """Colours of a range of millimetres.

    Attributes
    ----------
    low_mm, high_mm : the range; values outside get ``below`` or ``above``
    table : (k, 3) linear RGB from ``low_mm`` to ``high_mm``
    below, above, unseen : (3,) linear RGB of values beyond the range and of NaN
    """

    low_mm: float
    high_mm: float
    table: Floats
    below: Floats
    above: Floats
    unseen: Floats

    @property
    def signed(self) -> bool:
        """Whether the range has two sides."""
        return self.low_mm < 0.0

    def rgba(self, values_mm: ArrayLike) -> NDArray[np.float32]:
        """Linear RGBA of values in mm, (n, 4) float32; NaN was not seen."""
        values = np.asarray(values_mm, dtype=np.float64)
        count = len(self.table)
        share = (values - self.low_mm) * ((count - 1) / (self.high_mm - self.low_mm))
        seen = ~np.isnan(share)
        place = np.rint(np.clip(np.where(seen, share, 0.0), 0.0, count - 1.0)).astype(np.intp) + 1
        place[values < self.low_mm] = 0
        place[values > self.high_mm] = count + 1
        place[~seen] = count + 2
        colours = np.vstack([self.below, self.table, self.above, self.unseen])
        return _opaque(colours)[place]

    def beyond(self, values_mm: ArrayLike) -> NDArray[np.bool_]:
        """Which values lie outside the range; what was not seen does not."""
        values = np.asarray(values_mm, dtype=np.float64)
        return np.asarray((values < self.low_mm) | (values > self.high_mm))


@dataclass(frozen=True)
class Shown:
    """What a set of values comes to on a scale: shares are of all values, 0 to 1.

    Attributes
    ----------
    worst_mm : the value furthest from zero, with its sign; NaN when none was seen
    beyond : share outside the range
    unseen : share of NaN
    """

    worst_mm: float
    beyond: float
    unseen: float


def come_to(scale: ColourScale, values_mm: ArrayLike) -> Shown:
    """The worst value, and how many lie outside the range or were not seen."""
    values = np.asarray(values_mm, dtype=np.float64)
    seen = values[~np.isnan(values)]
    if len(seen) == 0:
        return Shown(float("nan"), 0.0, 1.0 if len(values) else 0.0)
    worst = float(seen[np.argmax(np.abs(seen))])
    return Shown(worst, float(scale.beyond(seen).sum()) / len(values), 1.0 - len(seen) / len(values))


def signed_scale(tolerance_mm: float) -> ColourScale:
    """Scale for signed millimetres from minus to plus ``tolerance_mm``. ValueError unless above 0."""
    tolerance = as_positive(tolerance_mm, name="tolerance_mm")
    ways = (_BELOW[1], _BELOW[0], _MIDDLE, _ABOVE[0], _ABOVE[1])
    far = (_linear(_FAR_BELOW), _linear(_FAR_ABOVE))
    return ColourScale(-tolerance, tolerance, _table(ways), *far, _linear(_UNSEEN))


def width_scale(tolerance_mm: float) -> ColourScale:
    """Scale for half widths from 0 to ``tolerance_mm``. ValueError unless above 0."""
    tolerance = as_positive(tolerance_mm, name="tolerance_mm")
    table = _table((_MIDDLE, *_WIDE))
    return ColourScale(0.0, tolerance, table, table[0], _linear(_FAR_WIDE), _linear(_UNSEEN))


def zone_rgba(zone: ArrayLike) -> NDArray[np.float32]:
    """Linear RGBA of zones, (n, 4) float32: 0 intact overlap, 1 rebuilt."""
    two = _opaque(np.vstack([_linear(_INTACT), _linear(_REBUILT)]))
    return np.asarray(two[(np.asarray(zone) == 1).astype(np.intp)])


def origin_rgba(origin: ArrayLike) -> NDArray[np.float32]:
    """Linear RGBA of what a patch stands on, (n, 4) float32: 0 loft, 1 fillet, 2 fair; NaN is unknown."""
    number = np.asarray(origin, dtype=np.float64)
    known = np.where(np.isnan(number), len(_ORIGINS), number).astype(np.intp)
    return np.asarray(_opaque(np.vstack([_linear(way) for way in (*_ORIGINS, _UNSEEN)]))[known])


def srgb(linear: ArrayLike) -> NDArray[np.float32]:
    """Colours as a screen takes them, from linear RGB or RGBA; alpha stays (IEC 61966-2-1)."""
    colours = np.array(linear, dtype=np.float32)
    rgb = colours[..., :3]
    colours[..., :3] = np.where(
        rgb <= 0.0031308, 12.92 * rgb, 1.055 * np.maximum(rgb, 0.0031308) ** (1.0 / 2.4) - 0.055
    )
    return colours


def legend_ticks(low_mm: float, high_mm: float) -> Floats:
    """Round numbers for a legend, both ends of the range among them, at most nine.

    Steps are 1, 2, 2.5 or 5 times a power of ten, counted from zero; one that would crowd an end is left out.

    Raises
    ------
    ValueError
        ``high_mm`` is not above ``low_mm``.
    """
    span = as_positive(high_mm - low_mm, name="high_mm - low_mm")
    rough = span / 4.0
    power = 10.0 ** np.floor(np.log10(rough) + 1e-9)
    step = power * next(nice for nice in (1.0, 2.0, 2.5, 5.0, 10.0) if nice * power >= rough * (1.0 - 1e-9))
    numbers = np.arange(np.ceil(low_mm / step - 1e-9), np.floor(high_mm / step + 1e-9) + 1.0) * step
    room = 0.399 * step
    inside = numbers[(numbers > low_mm + room) & (numbers < high_mm - room)]
    return np.concatenate([[low_mm], inside, [high_mm]])


def tick_texts(ticks_mm: ArrayLike, *, signed: bool) -> tuple[str, ...]:
    """The numbers of a legend, with as many decimals as they need, at most four; signs where both occur."""
    ticks = np.asarray(ticks_mm, dtype=np.float64)
    decimals = next((k for k in range(5) if np.allclose(np.round(ticks, k), ticks, rtol=0.0, atol=1e-6)), 4)
    texts = (f"{tick:{'+' if signed and tick else ''}.{decimals}f}" for tick in ticks)
    return tuple(text.replace("-", "\N{MINUS SIGN}") for text in texts)


def _table(ways: tuple[tuple[float, float, float], ...]) -> Floats:
    """Linear RGB along a line through colours, (k, 3), with steps of equal size between neighbours."""
    corners = np.array([_oklab(way) for way in ways])
    at = np.linspace(0.0, len(corners) - 1.0, _STEPS + 1)
    lab = np.column_stack([np.interp(at, np.arange(len(corners)), corners[:, k]) for k in range(3)])
    return _from_oklab(lab)


def _linear(way: tuple[float, float, float]) -> Floats:
    return _from_oklab(np.array([_oklab(way)]))[0]


def _oklab(way: tuple[float, float, float]) -> tuple[float, float, float]:
    lightness, chroma, hue_deg = way
    hue = np.radians(hue_deg)
    return lightness, float(chroma * np.cos(hue)), float(chroma * np.sin(hue))


def _from_oklab(lab: Floats) -> Floats:
    roots = np.linalg.solve(_LAB_FROM_ROOTS, lab.T)
    return np.asarray(np.linalg.solve(_LMS_FROM_RGB, roots**3).T)


def _opaque(rgb: Floats) -> NDArray[np.float32]:
    return np.column_stack([rgb, np.ones(len(rgb))]).astype(np.float32)
