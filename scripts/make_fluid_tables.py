"""Fit the shipped fluid tables to CoolProp's equations of state and write them.

``python scripts/make_fluid_tables.py [--out FILE] [fluid key …]``; takes some seconds. The form of
the tables is told in ``holdwatch_physics.fluid_tables``, their closeness in docs/fluids.md.
"""

from __future__ import annotations

import argparse
import importlib
import itertools
import json
import math
from pathlib import Path
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from numpy.polynomial import chebyshev

from holdwatch_physics.fluid_tables import FILE
from holdwatch_physics.substances import GASES, REFRIGERANTS, Fluid

CoolProp: Any = importlib.import_module("CoolProp")  # it ships no types
Array = npt.NDArray[np.float64]

COLDEST_K: Final = 223.15
HOTTEST_K: Final = 368.15
"""The gas is tabled from −50 to 95 °C."""
BOILING_FROM_K: Final = 173.15
DENSEST_PA: Final = 100e5
"""The densest test gas is that of 100 bar, ideal, at the coldest."""
NEARLY_CRITICAL: Final = 0.99
"""Dry vapour is tabled up to this share of the critical temperature."""
ABOVE_VAPOUR: Final = 1.01
"""The table of a vapour reaches this much beyond dry vapour."""
KINKS_K: Final = {"Helium": (300.0,)}
"""Where a fluid's viscosity in the library changes its formula."""

BOILING_TERMS: Final = 32
DENSITY_ENDS_AT: Final = 0.05
"""θ up to which the saturation densities are tabled: T = 0.9975 T_c."""
VAPOUR_TERMS: Final = 7
GAS_TERMS: Final = (28, 32)
TRIM: Final = {"g": 1e-10, "viscosity": 1e-9}
"""Terms below this share of the largest one are left out."""


def main() -> None:
    """Write the file."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, default=FILE)
    parser.add_argument("keys", nargs="*", help="only these fluids, for a trial")
    options = parser.parse_args()
    by_key = {it.key: it for it in (*REFRIGERANTS, *GASES)}
    chosen = options.keys or list(by_key)
    options.out.parent.mkdir(exist_ok=True)
    options.out.write_text(written({key: fitted(by_key[key]) for key in chosen}), encoding="ascii")


def written(fluids: dict[str, dict[str, Any]]) -> str:
    """Return the file's text: JSON, a series a line."""
    head = {
        "about": "Chebyshev fits to equations of state, made by scripts/make_fluid_tables.py",
        "library": f"CoolProp {CoolProp.__version__}",
        "fluids": fluids,
    }
    return _text(head, 0) + "\n"


def _text(value: Any, depth: int) -> str:
    """Return JSON with one line for each list of numbers."""
    pad, closing = " " * (depth + 1), " " * depth
    if isinstance(value, dict):
        parts = [f"{pad}{json.dumps(k)}: {_text(v, depth + 1)}" for k, v in value.items()]
        return "{\n" + ",\n".join(parts) + f"\n{closing}}}"
    if isinstance(value, list) and value and isinstance(value[0], (list, dict)):
        return "[\n" + ",\n".join(pad + _text(v, depth + 1) for v in value) + f"\n{closing}]"
    return json.dumps(value, separators=(",", ":"))


def fitted(it: Fluid) -> dict[str, Any]:
    """Return one fluid's part of the file."""
    state = CoolProp.AbstractState("HEOS", it.key)
    lowest = max(state.Tmin(), state.Ttriple())
    condenses = it.critical_k > COLDEST_K
    return {
        "limits": {
            "t_min_k": state.Tmin(),
            "t_max_k": state.Tmax(),
            "p_max_pa": state.pmax(),
            "p_critical_pa": state.p_critical(),
            "boils_from_pa": _moved(state, CoolProp.QT_INPUTS, 1.0, lowest).p(),
        },
        "r_gas": state.gas_constant(),
        "boiling": _boiling(state, it.critical_k, max(lowest, BOILING_FROM_K))
        if condenses
        else None,
        "gas": [_piece(state, *each) for each in _pieces(state, it)],
    }


def _moved(state: Any, pair: int, a: float, b: float) -> Any:
    state.update(pair, a, b)
    return state


# -- saturation ---------------------------------------------------------------------------------


def _boiling(state: Any, critical_k: float, from_k: float) -> dict[str, Any]:
    """Return the fits of saturation from a temperature to the critical point or just below."""
    coldest = math.sqrt(1.0 - from_k / critical_k)
    pure = _is_pure(state, from_k)
    # The two pressures of a blend do not meet smoothly at the critical point.
    theta = [0.0 if pure else 0.01, coldest]
    bubble, dew = _over_theta(state, critical_k, theta, lambda s: math.log(s.p()))
    density_theta = [DENSITY_ENDS_AT, coldest]
    liquid, vapour = _over_theta(state, critical_k, density_theta, lambda s: math.log(s.rhomolar()))
    return {
        "critical_k": critical_k,
        "theta": theta,
        "log_bubble": bubble,
        "log_dew": None if pure else dew,
        "density_theta": density_theta,
        "log_liquid": liquid,
        "log_vapour": vapour,
    }


def _is_pure(state: Any, t_k: float) -> bool:
    bubble = _moved(state, CoolProp.QT_INPUTS, 0.0, t_k).p()
    return bool(abs(bubble / _moved(state, CoolProp.QT_INPUTS, 1.0, t_k).p() - 1.0) < 1e-9)


def _over_theta(state: Any, critical_k: float, span: list[float], read: Any) -> list[list[float]]:
    """Return the series of liquid and vapour over θ."""
    x = _nodes(BOILING_TERMS)
    both = []
    for quality in (0.0, 1.0):
        y = [
            read(_moved(state, CoolProp.QT_INPUTS, quality, critical_k * (1.0 - theta * theta)))
            for theta in _spread(span, x)
        ]
        both.append(_rounded(chebyshev.chebfit(x, np.array(y), BOILING_TERMS - 1), 0.0))
    return both


# -- gas ----------------------------------------------------------------------------------------


def _pieces(state: Any, it: Fluid) -> list[tuple[list[float], list[float]]]:
    """Return the intervals of temperature and ln ρ_m over each."""
    critical, coldest = it.critical_k, max(state.Tmin(), COLDEST_K)
    if critical < COLDEST_K:
        log_densest = [math.log(DENSEST_PA / (state.gas_constant() * COLDEST_K))]
        ends = [coldest, *KINKS_K.get(it.key, ()), HOTTEST_K]
        return [([low, high], log_densest) for low, high in itertools.pairwise(ends)]
    dense = math.log(state.rhomolar_critical())
    vapour = [coldest, min(NEARLY_CRITICAL * critical, HOTTEST_K)]
    pieces = [(vapour, _log_vapour(state, vapour))]
    ends = [vapour[1], 1.02 * critical, HOTTEST_K]
    for low, high, share in zip(ends, ends[1:], (0.4, 0.8), strict=False):
        if low < HOTTEST_K:
            pieces.append(([low, min(high, HOTTEST_K)], [dense + math.log(share)]))
    return pieces


def _log_vapour(state: Any, span: list[float]) -> list[float]:
    """Return ln ρ_m over T, a little above dry vapour."""
    x = _nodes(2 * VAPOUR_TERMS)
    y = [
        math.log(_moved(state, CoolProp.QT_INPUTS, 1.0, t_k).rhomolar()) for t_k in _spread(span, x)
    ]
    series = chebyshev.chebfit(x, np.array(y), VAPOUR_TERMS - 1)
    series[0] += math.log(ABOVE_VAPOUR)
    return _rounded(series, 0.0)


def _piece(state: Any, span: list[float], log_densest: list[float]) -> dict[str, Any]:
    """Return the fits of G and viscosity over s and T."""
    s_count, t_count = GAS_TERMS
    x, y = _nodes(s_count), _nodes(t_count)
    g, micro = np.empty(GAS_TERMS), np.empty(GAS_TERMS)
    # The equation itself, also where the vapour would condense: it is smooth there.
    state.specify_phase(CoolProp.iphase_gas)
    for column, (place, t_k) in enumerate(zip(y, _spread(span, y), strict=True)):
        densest = math.exp(chebyshev.chebval(place, log_densest))
        for row, s in enumerate((1.0 + x) / 2.0):
            _moved(state, CoolProp.DmolarT_INPUTS, s * densest, t_k)
            # Z − 1 = δ ∂αʳ/∂δ, without the loss of digits of Z less one.
            g[row, column] = densest / state.rhomolar_reducing() * state.dalphar_dDelta()
            micro[row, column] = state.viscosity() * 1e6
    state.unspecify_phase()
    return {
        "t_k": span,
        "log_densest": log_densest,
        "g": _table(g, x, y, TRIM["g"]),
        "viscosity_micro": _table(micro, x, y, TRIM["viscosity"]),
    }


def _table(values: Array, x: Array, y: Array, share: float) -> list[list[float]]:
    """Return the two-dimensional fit, a row for each term over s, small ends cut off."""
    over_s = chebyshev.chebfit(x, values, len(x) - 1)
    terms = chebyshev.chebfit(y, over_s.T, len(y) - 1).T
    floor = share * float(np.abs(terms).max())
    rows = [_rounded(row, floor) for row in terms]
    while rows and not rows[-1]:
        rows.pop()
    return rows


def _nodes(count: int) -> Array:
    return np.cos(np.pi * (np.arange(count) + 0.5) / count)


def _spread(span: list[float], x: Array) -> list[float]:
    low, high = span
    return [float(t) for t in (high + low) / 2.0 + (high - low) / 2.0 * x]


def _rounded(series: Array, floor: float) -> list[float]:
    """Return the terms to 15 digits of the largest, without an end below the floor."""
    terms = [float(term) for term in series]
    while terms and abs(terms[-1]) < floor:
        terms.pop()
    largest = max((abs(term) for term in terms), default=1.0)
    digits = 15 - math.ceil(math.log10(largest)) if largest else 15
    return [round(term, digits) for term in terms]


if __name__ == "__main__":
    main()
