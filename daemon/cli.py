"""
The `lampblack` command.

Whatever needs image libraries or the camera is imported by the command that needs it: `lampblack status` answers at
once.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NoReturn

from lampblack.daemon import standing, watch
from lampblack.daemon.clean import clean

AIMS = ("even", "hold-highlights", "clean-backdrop", "meter")
BACKDROPS = ("auto", "black", "grey", "white", "none")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status of the contract: 0 done, 1 something wasn't reached, 2 wrong usage."""
    words = list(sys.argv[1:] if argv is None else argv)
    if words[:1] == ["mock"]:
        _mock(words[1:])  # its options are its own: they go through unread
    try:
        args = _parser(words[0] if words else "").parse_args(words or ["--help"])
        status = int(args.run(args))
        if sys.stdout is not None:  # None: started with its output closed
            sys.stdout.flush()
    except KeyboardInterrupt:
        return 130
    except BrokenPipeError:  # whoever read our output has read enough
        _mute()
        return 0
    except OSError as wrong:
        # Whatever has a name says it, and what is written elsewhere is minded there: this was the output.
        if wrong.filename is not None or wrong.errno not in _CANNOT_WRITE:
            raise
        _mute()
        print(f"The output cannot be written: {wrong.strerror}.", file=sys.stderr)
        return 1
    return status


_CANNOT_WRITE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EBADF)


def _mute() -> None:
    """Let what is left in a broken output go nowhere, or Python complains about it while it ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), 1)


# ---------------------------------------------------------------- the words


class _Parser(argparse.ArgumentParser):
    """Says wrong usage in one line."""

    def error(self, message: str) -> NoReturn:
        """Say it and end with the exit status of wrong usage."""
        self.exit(2, f"{self.prog}: {clean(message, 300)}; see {self.prog} --help\n")


def _parser(chosen: str) -> argparse.ArgumentParser:
    parser = _Parser(
        prog="lampblack",
        description="Watches a tethered studio camera, measures each frame, and says what to do next.",
        epilog="example: lampblack watch ~/shoots/bowls --camera auto; lampblack panel ~/shoots/bowls",
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the program's version and exit")
    commands = parser.add_subparsers(metavar="COMMAND", required=True)
    for name, (summary, example, fill) in _COMMANDS.items():
        command = commands.add_parser(
            name, help=summary, description=f"{summary[0].upper()}{summary[1:]}.", epilog=f"example: {example}"
        )
        command.set_defaults(command=name)
        if name == chosen:  # the others' options may need heavy imports
            fill(command)
    return parser


class _Version(argparse.Action):
    """Says the version; found out for who asks alone, it takes longer than most commands."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        """Say it and end."""
        print(f"lampblack {_version()}")
        parser.exit()


def _version() -> str:
    import importlib.metadata

    try:
        return importlib.metadata.version("lampblack")
    except importlib.metadata.PackageNotFoundError:
        return "(not installed)"


def _camera_address(text: str) -> str:
    from lampblack.daemon.tether import check_address

    try:
        check_address(text)
    except ValueError as wrong:
        raise argparse.ArgumentTypeError(str(wrong)) from None
    return text


def _aim(text: str) -> str:
    if text in AIMS or (text.startswith("spot:") and text != "spot:"):
        return text
    raise argparse.ArgumentTypeError(f"invalid choice: {text!r} (choose from {', '.join(AIMS)}, spot:NAME)")


def _watch_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder, where frames land")
    parser.add_argument("--foreground", action="store_true", help="stay in this terminal instead of the background")
    parser.add_argument(
        "--camera",
        metavar="auto|ADDRESS",
        type=_camera_address,
        help="tether a camera too: the first found on USB (auto), or one on the network: ptpip:192.168.1.20",
    )
    parser.add_argument(
        "--aim",
        type=_aim,
        metavar="AIM",
        help="what the next step tries to reach: mid tones at mid grey, as much light as the highlights stand, "
        "the backdrop first, the logged incident reading, or a spot at its value: "
        f"{', '.join(AIMS)} or spot:NAME (default: even)",
    )
    parser.add_argument("--backdrop", choices=BACKDROPS, help="what the backdrop is meant to be (default: auto)")
    parser.add_argument("--json", action="store_true", help="print JSON objects only, one a line")
    parser.add_argument("--report-to", type=int, help=argparse.SUPPRESS)
    parser.set_defaults(run=watch.watch)


def _status_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="default: here, else every one watched")
    parser.add_argument("--json", action="store_true", help="print one JSON object per service")
    parser.set_defaults(run=standing.status)


def _stop_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, nargs="?", help="default: here")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=standing.stop)


def _folder_and_json(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="the shoot's folder")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def _spot_words(parser: argparse.ArgumentParser) -> None:
    from lampblack.daemon.score import a_spot

    _folder_and_json(parser)
    parser.add_argument("spot", metavar="NAME=X,Y[,SIZE][@WANT]", type=a_spot, nargs="?", help="without one: list them")
    parser.add_argument("--remove", metavar="NAME", help="take a spot back")
    parser.set_defaults(run=standing.spot)


def _region_words(parser: argparse.ArgumentParser) -> None:
    from lampblack.daemon.score import a_region

    form = "KIND=X,Y,W,H|X,Y/X,Y/X,Y..."
    _folder_and_json(parser)
    parser.add_argument(
        "region",
        metavar=form,
        type=a_region,
        nargs="?",
        help="backdrop, subject or ignore, and a rectangle (left, top, width, height) or a polygon's corners, in shares"
        " of the picture; without one: list them",
    )
    parser.add_argument("--remove", metavar=form, type=a_region, help="take a region back")
    parser.set_defaults(run=standing.region)


def _plate_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument("frame", metavar="FRAME", type=int, nargs="?", help="its number; without one: say which it is")
    parser.add_argument("--remove", action="store_true", help="use no plate any more")
    parser.set_defaults(run=standing.plate)


def _reading_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument(
        "readings",
        metavar="PLACE=VALUE",
        nargs="*",
        help="an f-number at the camera's time and ISO (key=16) or at others (key=16@1/60,400), an EV at ISO 100 "
        "(key=ev12.3) or lux (key=850lx); key, fill, camera, backdrop or a word of your own; without one: list them",
    )
    parser.add_argument("--meter", metavar="NAME", help="which meter, if there are several")
    parser.add_argument("--remove", metavar="PLACE", help="take the reading of a place back")
    parser.add_argument("--setup", type=int, metavar="N", help="of an earlier setup")
    parser.set_defaults(run=standing.reading)


def _lamp_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument(
        "name", metavar="NAME", nargs="?", help="a lamp or card; with --frame also all or none; without: list"
    )
    parser.add_argument(
        "--kind", metavar="KIND",
        help="tungsten, halogen, hmi, led, fluorescent, daylight or other; or a card: flag, reflector",
    )  # fmt: skip
    parser.add_argument("--role", metavar="WORD", help="key, fill, rim, backdrop, or a word of your own")
    parser.add_argument("--watts", type=float, metavar="W")
    parser.add_argument("--distance", type=float, metavar="M", help="metres from the subject")
    parser.add_argument(
        "--at",
        metavar="ANGLE",
        help="40left or 150right as the picture shows it: 0 at the camera, 180 behind the subject",
    )
    parser.add_argument("--above", type=float, metavar="M", help="metres over the subject's middle (below 0: under it)")
    parser.add_argument("--size", type=float, metavar="M", help="metres across, as the subject sees it")
    parser.add_argument("--for", metavar="LAMP", dest="of", help="the lamp that a flag or reflector works with")
    parser.add_argument("--modifier", metavar="TEXT", help="umbrella, diffusion, grid, ...")
    parser.add_argument("--gel", metavar="TEXT")
    parser.add_argument("--circuit", metavar="NAME", help="the circuit it hangs on")
    parser.add_argument("--rating", metavar="230V,16A", help="what the circuit carries; its cable: 230V,16A,25m,1.5mm2")
    parser.add_argument(
        "--frame", type=_frame_number, metavar="N", help="this frame shows the lamp alone (newest: the newest one)"
    )
    parser.add_argument("--depth", type=float, metavar="M", help="the subject's depth")
    parser.add_argument("--backdrop", type=float, metavar="M", help="metres from the subject to it")
    parser.add_argument("--camera", type=float, metavar="M", help="metres from the subject to it")
    parser.add_argument(
        "--reflector", type=float, nargs=2, metavar=("M2", "M"), help="its area and its distance, for the list"
    )
    parser.add_argument("--remove", metavar="NAME", help="take a lamp back")
    parser.add_argument("--setup", type=int, metavar="N", help="of an earlier setup")
    parser.set_defaults(run=standing.lamp)


def _frame_number(text: str) -> int | str:
    if text == "newest" or text.isdecimal():
        return text if text == "newest" else int(text)
    raise argparse.ArgumentTypeError(f"{text!r}: a frame's number, or newest")


def _slate_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument("name", metavar="NAME", nargs="?", help="what the setup is called (none: it is numbered)")
    instead = parser.add_mutually_exclusive_group()
    instead.add_argument("--rename", metavar="SETUP", type=int, help="give this earlier setup the name instead")
    instead.add_argument(
        "--frames",
        metavar="7-9,12",
        help="make the setup of these frames, or move them --to another; judged again then",
    )
    parser.add_argument("--to", metavar="SETUP", type=int, help="with --frames: the setup they belong to")
    parser.set_defaults(run=_keeping("slate"))


def _note_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument("text", metavar="TEXT", nargs="?", help="what is to be remembered of the setup; none: list")
    parser.add_argument("--setup", type=int, metavar="N", help="another setup than the newest")
    instead = parser.add_mutually_exclusive_group()
    instead.add_argument("--instead-of", nargs=2, metavar=("NOTE", "TEXT"), help="put a text in the place of this note")
    instead.add_argument("--remove", type=int, metavar="NOTE", help="take a note back")
    parser.set_defaults(run=_keeping("note"))


def _choose_words(parser: argparse.ArgumentParser) -> None:
    _folder_and_json(parser)
    parser.add_argument("frame", metavar="FRAME", type=int, help="its number")
    parser.add_argument("--rating", type=int, choices=range(-1, 6), metavar="0..5", help="-1: rejected")
    parser.add_argument("--label", help="a word for it")
    parser.add_argument("--why", help="why this one")
    parser.add_argument("--no-sidecar", action="store_true", help="keep it in the journal alone")
    parser.set_defaults(run=_keeping("choose"))


def _shoots_words(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("places", metavar="FOLDER", nargs="*", help="where to look (default: here)")
    parser.add_argument("--json", action="store_true", help="print one JSON object a shoot")
    parser.add_argument(
        "--check", action="store_true", help="say whether their journals are sound and no frame is gone"
    )
    parser.add_argument(
        "--export",
        type=_export_file,
        metavar="FILE",
        help="write the journal of one, all that it ever said, as .sql or .jsonl",
    )
    parser.set_defaults(run=_keeping("shoots"))


def _export_file(text: str) -> Path:
    if Path(text).suffix.lower() in (".sql", ".jsonl"):
        return Path(text)
    raise argparse.ArgumentTypeError(f"{text!r}: a name that ends in .sql or .jsonl")


def _keeping(name: str) -> Callable[[argparse.Namespace], int]:
    def run(args: argparse.Namespace) -> int:
        from lampblack.daemon import keeping  # heavy: not before it is needed

        work: Callable[[argparse.Namespace], int] = getattr(keeping, name)
        return work(args)

    return run


def _words_of(module: str) -> Callable[[argparse.ArgumentParser], None]:
    """Return how a module that is a command by itself describes its options; it is imported for that command alone."""

    def fill(parser: argparse.ArgumentParser) -> None:
        command = importlib.import_module(f"lampblack.daemon.{module}")
        command.add_arguments(parser)
        parser.set_defaults(run=command.run)

    return fill


def _mock_words(parser: argparse.ArgumentParser) -> None:
    """Only for the list of commands; `main` has passed its words on already."""


_COMMANDS: dict[str, tuple[str, str, Callable[[argparse.ArgumentParser], None]]] = {
    "watch": (
        "measure the frames of a shoot as they arrive, in the background",
        "lampblack watch ~/shoots/bowls --camera auto --backdrop black",
        _watch_words,
    ),
    "panel": (
        "show the shoot: next step, backdrop, bracket",
        "lampblack panel ~/shoots/bowls",
        _words_of("screen"),
    ),
    "status": ("say what is being watched, and how it goes", "lampblack status ~/shoots/bowls", _status_words),
    "spot": (
        "name a place on the picture, and where its light should lie",
        "lampblack spot ~/shoots/bowls rim=0.42,0.31@VI",
        _spot_words,
    ),
    "bracket": (
        "have the camera shoot until the aim is met, or a bracket of your own",
        "lampblack bracket ~/shoots/bowls --aim hold-highlights; lampblack bracket ~/shoots/bowls --at f/16,f/8,f/4",
        _words_of("bracketing"),
    ),
    "reading": (
        "log what the hand-held meter says, and have the ratios",
        "lampblack reading ~/shoots/bowls key=16 fill=8 camera=11",
        _reading_words,
    ),
    "lamp": (
        "name a lamp, say which frame shows it alone, and see what it and its circuit carry",
        "lampblack lamp ~/shoots/bowls rim --kind tungsten --watts 650 --distance 1.8 --circuit A",
        _lamp_words,
    ),
    "slate": ("begin a setup", "lampblack slate ~/shoots/bowls 'rim and flag'", _slate_words),
    "note": ("note something on the setup", "lampblack note ~/shoots/bowls 'card 40 cm left of the rim'", _note_words),
    "choose": (
        "keep which frame is right, and why: in the journal, and as XMP beside it",
        "lampblack choose ~/shoots/bowls 4 --rating 5 --why 'rim just parts it from the black'",
        _choose_words,
    ),
    "report": (
        "make one page of a shoot, to hand over",
        "lampblack report ~/shoots/bowls --for class",
        _words_of("sheet"),
    ),
    "shoots": ("list the shoots below a folder", "lampblack shoots ~/shoots", _shoots_words),
    "region": (
        "say that a part of the picture is backdrop, subject, or neither",
        "lampblack region ~/shoots/bowls ignore=0,0,0.1,1",
        _region_words,
    ),
    "plate": (
        "say which frame shows the set without its subject: it sharpens the outline",
        "lampblack plate ~/shoots/bowls 1",
        _plate_words,
    ),
    "stop": ("stop watching a shoot; its frames and journal stay", "lampblack stop ~/shoots/bowls", _stop_words),
    "score": (
        "measure frames without a service",
        "lampblack score --backdrop black 0001.jpg 0002.jpg",
        _words_of("score"),
    ),
    "balance": (
        "say what each lamp gives, and how to set them for what you want",
        "lampblack balance --lamp key=1.dng --lamp rim=2.dng --want ratio=3:1 --want backdrop=clean",
        _words_of("balance"),
    ),
    "match": (
        "say how today's lamps stand against stored ones, and what to change first",
        "lampblack match --lamp key=then/key.dng --lamp rim=then/rim.dng --now today.dng",
        _words_of("match"),
    ),
    "effect": (
        "say what a reflector, a flag or a scrim brought",
        "lampblack effect without.dng with.dng",
        _words_of("effect"),
    ),
    "neutral": (
        "say what cast a plain backdrop or a grey card has, and whether a custom balance took",
        "lampblack neutral before.jpg after.jpg",
        _words_of("neutral"),
    ),
    "review": (
        "show a setup's frames side by side, hold one against another, and choose",
        "lampblack review ~/shoots/bowls; lampblack review ~/shoots/bowls --setup 3 --against 2",
        _words_of("reviewing"),
    ),
    "again": (
        "measure a shoot's frames again, with other thresholds or under another aim",
        "lampblack again ~/shoots/bowls --aim hold-highlights --setup 2",
        _words_of("again"),
    ),
    "rehearse": ("play a short session with the mock camera", "lampblack rehearse --hands-off", _words_of("rehearse")),
    "mock": ("run the mock camera alone, for any PTP/IP client", "lampblack mock --help", _mock_words),
}


def _mock(words: Sequence[str]) -> NoReturn:
    """Become the mock camera: this side knows it only over the wire, and whoever ends us ends it."""
    os.execv(sys.executable, [sys.executable, "-m", "lampblack.mock_camera", *words])  # noqa: S606


if __name__ == "__main__":
    sys.exit(main())
