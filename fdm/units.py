"""Exact constants and conversion to canonical units; units change here and nowhere else.

The foot and the international knot are exact by definition (NIST SP 811 appendix B: 0.3048 m; 1852 m per hour),
as are the pound (0.453 592 37 kg) and standard gravity (9.806 65 m/s²). The psi follows from them.
"""

from __future__ import annotations

import math

M_PER_FT = 0.3048
MPS_PER_KT = 1852 / 3600
MPS2_PER_G = 9.80665
KG_PER_LB = 0.45359237
PA_PER_PSI = KG_PER_LB * MPS2_PER_G / 0.0254**2

# canonical unit -> accepted unit -> (factor, offset): canonical = recorded * factor + offset
CONVERSIONS: dict[str, dict[str, tuple[float, float]]] = {
    "kt": {"kt": (1, 0), "m/s": (1 / MPS_PER_KT, 0), "km/h": (1 / 1.852, 0), "ft/s": (M_PER_FT / MPS_PER_KT, 0)},
    "ft": {"ft": (1, 0), "m": (1 / M_PER_FT, 0)},
    "g": {"g": (1, 0), "m/s2": (1 / MPS2_PER_G, 0), "ft/s2": (M_PER_FT / MPS2_PER_G, 0)},
    "deg": {"deg": (1, 0), "rad": (180 / math.pi, 0)},
    "%": {"%": (1, 0), "fraction": (100, 0)},
    "ratio": {"ratio": (1, 0)},
    "fraction": {"fraction": (1, 0), "%": (0.01, 0)},
    "psi": {"psi": (1, 0), "bar": (1e5 / PA_PER_PSI, 0), "kPa": (1e3 / PA_PER_PSI, 0), "MPa": (1e6 / PA_PER_PSI, 0)},
    "kg": {"kg": (1, 0), "t": (1000, 0), "lb": (KG_PER_LB, 0)},
    "degC": {"degC": (1, 0), "K": (1, -273.15), "degF": (5 / 9, -160 / 9)},
}
