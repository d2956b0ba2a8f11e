"""`wallguard coupon fit`: from readings of a printed coupon to a rule file with measured bands."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from wallguard.bands.chart import chart_of
from wallguard.base.errors import InputError
from wallguard.base.write import write
from wallguard.commands.arguments import Commands, add_limits, allowed, command, length
from wallguard.commands.replacing import refuse_foreign, refuse_inputs, refuse_others
from wallguard.reports.chart_text import chart_text

if TYPE_CHECKING:
    from wallguard.fitting.fit import Fit
    from wallguard.jobs.characterise import Toolpaths
    from wallguard.jobs.provenance import Stated


def add(commands: Commands) -> None:
    """Declare the command."""
    parser = command(
        commands,
        "fit",
        "wallguard coupon fit coupon/readings.csv --rules rules/petg.yaml -o rules/measured.yaml",
        _command,
        summary="turn readings into a rule file with a measured band table",
    )
    parser.add_argument(
        "readings", nargs="*", type=Path, metavar="READINGS", help="CSV files, one for each round"
    )
    parser.add_argument(
        "--toolpath",
        action="append",
        type=Path,
        default=[],
        metavar="FILE",
        help="it makes a plate of the coupon: read what it lays (may be repeated)",
    )
    parser.add_argument(
        "--coupon", type=Path, metavar="FOLDER", help="the coupon that --toolpath makes"
    )
    parser.add_argument(
        "--filament",
        type=length,
        metavar="MM",
        help="its diameter for --toolpath (as in BASE, else 1.75)",
    )
    parser.add_argument(
        "--flow",
        type=length,
        metavar="FACTOR",
        help="between fed and laid for --toolpath (as in BASE, else 1)",
    )
    parser.add_argument("--rules", type=Path, required=True, metavar="BASE", help="what is known")
    parser.add_argument("-o", "--output", type=Path, required=True, metavar="NEW")
    parser.add_argument(
        "--software",
        default="",
        metavar="TEXT",
        help="name and release of what sliced the coupon (as the readings say)",
    )
    parser.add_argument(
        "--settings", type=Path, metavar="FILE", help="its settings: named, with their hash"
    )
    parser.add_argument(
        "--firmware", default="", metavar="TEXT", help="the printer's (as the readings say)"
    )
    parser.add_argument(
        "--measured-by", default="", metavar="NAME", help="who read it (as the readings say)"
    )
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw readings and bands as SVG")
    add_limits(parser, "reading a toolpath", ", twice that")


def _command(arguments: argparse.Namespace) -> int:
    text = run(
        arguments.readings,
        rules=arguments.rules,
        output=arguments.output,
        plot_file=arguments.plot,
        toolpaths=_toolpaths(arguments),
        said=_said(arguments),
    )
    print(text, end="")
    return 0


def _said(arguments: argparse.Namespace) -> Stated:
    from wallguard.jobs.provenance import Stated

    return Stated(arguments.software, arguments.settings, arguments.firmware, arguments.measured_by)


def _toolpaths(arguments: argparse.Namespace) -> Toolpaths | None:
    files = tuple(arguments.toolpath)
    if not files:
        return None
    if arguments.coupon is None:
        remedy = "Name its folder: --coupon"
        raise InputError(files[0], "nothing says which coupon it makes", remedy=remedy)
    from wallguard.jobs.characterise import Toolpaths

    return Toolpaths(
        files, arguments.coupon, arguments.filament, arguments.flow, allowed(arguments)
    )


def run(
    readings: Sequence[Path],
    *,
    rules: Path,
    output: Path,
    plot_file: Path | None = None,
    toolpaths: Toolpaths | None = None,
    said: Stated | None = None,
) -> str:
    """Fit the readings (rounds of one process merge), write the rule file `output` and, if asked,
    the drawing `plot_file`; returns what to tell.

    rules  the base: what is known of the process before
    said   how the coupon was made, where the readings do not say it

    Raises InputError: readings or rules that cannot be used, or an output that is one of the inputs
    or was not written by this command; nothing is written then.
    """
    from wallguard.drawings import coupon_plot, kinds
    from wallguard.fitting.rule_file import MARK
    from wallguard.jobs.characterise import NOTHING_STATED, fit

    fitted = fit(
        readings, rules, toolpaths=toolpaths, shown=str(output), said=said or NOTHING_STATED
    )
    refuse_inputs(filter(None, (output, plot_file)), fitted.inputs)
    refuse_foreign(output, "--output", lambda content: content.startswith(MARK))
    chart, written = chart_of(fitted.rules), {output: fitted.text}
    if plot_file is not None:
        if not fitted.fit.measured:
            remedy = "Measure the walls, or leave --plot out"
            raise InputError(
                "--plot", "no wall was read, so there is nothing to draw", remedy=remedy
            )
        refuse_others(plot_file, "--plot", partial(kinds.is_drawn, kinds.FIT))
        written[plot_file] = coupon_plot.plot(fitted.fit, chart)
    for path, text in written.items():
        write(path, text)
    lines = [*report(fitted.fit), "", *(f"wrote: {path}" for path in written)]
    return "\n".join([chart_text(chart), *lines]) + "\n"


def report(fitted: Fit) -> list[str]:
    """What the readings told, besides the bands: settings, axes, other features, oddities."""
    lines = []
    settings = fitted.found
    if settings is not None:
        lines.append("bead settings that explain the readings (range that does so as well, k = 2):")
        for key, interval in settings.ranges.items():
            spread = f"{interval.low:.3g} to {interval.high:.3g}"
            if key == "contours" and settings.contours_taken:
                spread = "as in the base; the readings do not tell"
            lines.append(f"  {key.replace('_', ' ')}: {interval.value:g} ({spread})")
        lines.append(f"  between one bead and two: {settings.beads.between_one_and_two}")
    lines.append(
        "no wall was read: how walls come out is as in the base"
        if not fitted.measured
        else f"one reading scatters by {fitted.scatter.solid.u:.3f} mm (standard deviation), "
        f"the instrument may be off by {fitted.scatter.limit:g} mm"
    )
    for head, texts in (
        ("the axes differ; walls in any direction get the worse of both:", fitted.differ),
        ("bead settings of the base that the readings do not agree with:", fitted.otherwise),
        ("gaps, holes and pins (printed - drawn, ± 95 %):", fitted.others),
        (
            "from which size on they come out (± 95 % of the next print):",
            tuple(each.words for each in fitted.minima),
        ),
        ("odd about the readings:", fitted.odd),
    ):
        if texts:
            lines += ["", head, *(f"  - {text}" for text in texts)]
    return lines
