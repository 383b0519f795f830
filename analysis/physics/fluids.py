"""Brake fluids: one table of density, viscosity and surface tension, with where each number comes from.

Viscosity between two temperatures follows Walther's line (ASTM D341): log10 log10(nu + 0.7) is straight in log10 T.

Sources. DOT grades: 49 CFR 571.116 gives the most at -40 °C and the least at 100 °C (DOT 3 1500 and 1.5 mm²/s, DOT 4
1800 and 1.5, DOT 5.1 900 and 1.5); the line through the two limits stands for the grade. Mineral oil: no published
limit for bicycle use was found; ISO 3448 VG 15 (13.5-16.5 mm²/s at 40 °C) stands in, its 3.4 mm²/s at 100 °C from
memory. Densities and surface tensions are engineering ranges from memory. The maker's data sheet wins.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

ZERO_CELSIUS_K = 273.15


@dataclass(frozen=True)
class Fluid:
    """One kind of brake fluid.

    `density_kg_m3` and `surface_tension_n_m` near 20 °C; `cold` and `warm` are (°C, mm²/s) points of its viscosity;
    `viscosity_spread` is the relative uncertainty (about one standard deviation) of what the line gives.
    """

    name: str
    density_kg_m3: float
    surface_tension_n_m: float
    cold: tuple[float, float]
    warm: tuple[float, float]
    viscosity_spread: float

    def kinematic_viscosity_mm2_s(self, temperature_c: float) -> float:
        """Viscosity in mm²/s at `temperature_c` (-40 to 150 °C), by Walther's line (ASTM D341).

        Raises
        ------
        ValueError
            Outside -40 to 150 °C, where the two points say nothing.
        """
        if not -40 <= temperature_c <= 150:
            raise ValueError(f"temperature_c must be -40 to 150 °C, got {temperature_c}: the line is not valid there")
        x0, x1 = (math.log10(c + ZERO_CELSIUS_K) for c, _ in (self.cold, self.warm))
        y0, y1 = (math.log10(math.log10(nu + 0.7)) for _, nu in (self.cold, self.warm))
        y = y0 + (y1 - y0) * (math.log10(temperature_c + ZERO_CELSIUS_K) - x0) / (x1 - x0)
        return 10**10**y - 0.7

    def viscosity_pa_s(self, temperature_c: float) -> float:
        """Dynamic viscosity in Pa·s at `temperature_c`."""
        return self.kinematic_viscosity_mm2_s(temperature_c) * 1e-6 * self.density_kg_m3


FLUIDS: dict[str, Fluid] = {
    fluid.name: fluid
    for fluid in (
        Fluid("mineral", 865, 0.030, (40, 15.0), (100, 3.4), 0.3),
        Fluid("dot3", 1040, 0.035, (-40, 1500), (100, 1.5), 0.4),
        Fluid("dot4", 1060, 0.035, (-40, 1800), (100, 1.5), 0.4),
        Fluid("dot5.1", 1050, 0.035, (-40, 900), (100, 1.5), 0.4),
    )
}
