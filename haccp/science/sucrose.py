"""Water activity of pure sucrose in water, at any temperature up to a boiling syrup's.

Equation: ln gamma = (Q/RT) x^2 (1 + a x + b x^2), aw = gamma (1 - x), x the mole fraction of sucrose, T in kelvin.
Q = -17638 J/mol, a = -1.0038, b = -0.24653: M. Starzak and S. D. Peacock, constants read in the summary
"Activité de l'eau dans des solutions de saccharose", www.cultures-sucre.com.
Molar masses of water and sucrose and the gas constant (CODATA, exact since 2019): from memory.
"""

import math

SOURCE = "Starzak and Peacock, water activity of sucrose solutions (constants read, www.cultures-sucre.com)"
Q_J_PER_MOL = -17638.0
A, B = -1.0038, -0.24653
GAS_CONSTANT = 8.314462618  # J/(mol K), from memory
WATER_G_PER_MOL, SUCROSE_G_PER_MOL = 18.015, 342.30  # from memory
KELVIN = 273.15


def sucrose_share(solids_pct: float) -> float:
    """Mole fraction of sucrose in a syrup with ``solids_pct`` % sucrose by mass, 0 to 100."""
    sucrose = solids_pct / SUCROSE_G_PER_MOL
    return sucrose / (sucrose + (100.0 - solids_pct) / WATER_G_PER_MOL)


def water_activity(solids_pct: float, celsius: float) -> float:
    """aw of pure sucrose syrup, by the equation above. The caller keeps to the range where it was checked."""
    x = sucrose_share(solids_pct)
    bent = 1.0 + A * x + B * x * x
    return (1.0 - x) * math.exp(Q_J_PER_MOL / (GAS_CONSTANT * (celsius + KELVIN)) * x * x * bent)
