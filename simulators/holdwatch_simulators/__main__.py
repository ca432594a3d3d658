"""Command line of the simulators: list the scenarios, write one as a trace."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from holdwatch_simulators import garage
from holdwatch_simulators.scenario import Run
from holdwatch_simulators.trace_writer import recipe_toml, write_trace

_EXAMPLE = (
    "example: python -m holdwatch_simulators trace --scenario nitrogen-leak --seed 1 "
    "--minutes 60 --out leak.csv --recipe-out leak.toml"
)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(prog="holdwatch_simulators", epilog=_EXAMPLE)
    commands = parser.add_subparsers(dest="command", required=True)
    commands.add_parser("list", help="name the scenarios", epilog=_EXAMPLE)
    trace = commands.add_parser("trace", help="write a scenario as a CSV trace", epilog=_EXAMPLE)
    trace.add_argument("--scenario", required=True, help="a name from 'list'")
    trace.add_argument("--seed", type=int, default=1, help="the same seed, the same trace")
    trace.add_argument("--minutes", type=float, help="length of the trace")
    trace.add_argument("--volume-l", type=float, help="internal volume, L")
    trace.add_argument("--leak-g-per-year", type=float, help="leak of the unit's refrigerant")
    trace.add_argument("--leak-pa-m3-per-s", type=float, help="leak of the test gas")
    trace.add_argument("--leak-law", choices=("laminar", "molecular"), default="laminar")
    trace.add_argument("--refrigerant", help="for example R134a")
    trace.add_argument("--pressure-kpa-g", type=float, help="nitrogen pressure")
    trace.add_argument("--criterion-g-per-year", type=float, help="written to the recipe")
    trace.add_argument("--ambient-c", type=float, help="shop temperature at the start")
    trace.add_argument("--ramp-k-per-h", type=float, help="its steady change")
    trace.add_argument("--water-g", type=float, help="free water in the system")
    trace.add_argument("--without", action="append", default=[], help="leave a role's probe out")
    trace.add_argument("--no-marks", action="store_true", help="nobody marks the hold's start")
    trace.add_argument("--out", type=Path, help="trace file; standard output without it")
    trace.add_argument("--recipe-out", type=Path, help="also write the matching recipe")
    return parser


def _overrides(args: argparse.Namespace) -> garage.Overrides:
    def times(value: float | None, factor: float) -> float | None:
        return None if value is None else value * factor

    return garage.Overrides(
        duration_s=times(args.minutes, 60.0),
        volume_m3=times(args.volume_l, 1e-3),
        leak_g_per_year=args.leak_g_per_year,
        leak_pa_m3_per_s=args.leak_pa_m3_per_s,
        leak_law=args.leak_law,
        refrigerant=args.refrigerant,
        pressure_pa=times(args.pressure_kpa_g, 1000.0),
        criterion_g_per_year=args.criterion_g_per_year,
        ambient_c=args.ambient_c,
        ramp_k_per_h=args.ramp_k_per_h,
        water_g=args.water_g,
        marks=not args.no_marks,
        without=tuple(args.without),
    )


def _trace(args: argparse.Namespace) -> None:
    scenario = garage.scenario(args.scenario, _overrides(args))
    run = Run(scenario, args.seed)
    if args.recipe_out is not None:
        args.recipe_out.write_text(recipe_toml(scenario), encoding="utf-8")
    if args.out is None:
        write_trace(run, sys.stdout)
        return
    with args.out.open("w", encoding="utf-8", newline="\n") as out:
        write_trace(run, out)


def main(argv: list[str] | None = None) -> int:
    """Run the command line; return 0, or 2 with one message for input that cannot be used."""
    args = _parser().parse_args(argv)
    try:
        if args.command == "list":
            for name in garage.NAMES:
                sys.stdout.write(f"{name:22} {garage.about(name)}\n")
        else:
            _trace(args)
    except (ValueError, OSError) as error:
        sys.stderr.write(f"holdwatch_simulators: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
