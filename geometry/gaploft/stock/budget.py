"""Standard uncertainty of the stock at each place of a target, and what it is made of."""

import numpy as np
from numpy.typing import NDArray

from gaploft.evidence.band import HALF_WIDTH
from gaploft.stock.align import moved_by
from gaploft.stock.decide import guard_band
from gaploft.stock.model import Alignment, Budget, StockSettings, TargetSkin
from gaploft.stock.noise import Noise
from gaploft.stock.samples import Samples
from gaploft.stock.seeds import SMALL_MM

Floats = NDArray[np.float64]


def budget_of(
    target: TargetSkin,
    settings: StockSettings,
    samples: Samples,
    noise: Noise,
    alignment: Alignment | None,
) -> tuple[Budget, Floats]:
    """Uncertainties of the means over 2 mm^2 that are judged, all together (n,) at the samples, and the
    budget.

    Notes
    -----
    Independent parts are added as squares (JCGM 100:2008, 5.1.2): what noise leaves in such a mean, the
    target's own band, the alignment where there is one, and what the shop knows of scanner, frame and
    machine. The mean of noise that goes together over a length L has variance s^2 L^2 / (L^2 + r^2/2) over a
    disc of radius r, as if the disc were a Gaussian of the same second moment.
    """
    disc = np.pi * SMALL_MM**2
    smooth = noise.smooth_mm**2 * noise.length_mm**2 / (noise.length_mm**2 + 0.5 * SMALL_MM**2)
    mean = float(np.sqrt(min(noise.white_density_mm4 / disc, noise.white_mm**2) + smooth))
    skin, n = samples.skin, len(samples.skin.points)
    own = np.zeros(n) if target.band95_mm is None else skin.carried(target.band95_mm) / HALF_WIDTH
    lined_up = np.zeros(n) if alignment is None else moved_by(alignment, skin.points, skin.normals)
    total = np.sqrt(mean**2 + own**2 + lined_up**2 + settings.uncertainty_mm**2)
    combined = float(np.median(total))
    lower, upper = settings.limits_mm
    guard = float(guard_band(np.array([combined]), upper - lower)[0])
    budget = Budget(
        noise_mm=noise.scale_mm,
        correlation_mm=noise.length_mm,
        mean_mm=mean,
        target_mm=float(own.max()),
        alignment_mm=float(lined_up.max()),
        shop_mm=settings.uncertainty_mm,
        combined_mm=combined,
        guard_mm=guard,
    )
    return budget, total
