"""`lampblack bracket`: ask a service for a run, and follow it."""

from __future__ import annotations

import argparse
import contextlib
import sys
from pathlib import Path
from typing import Any

from lampblack.daemon import standing
from lampblack.daemon.clean import clean
from lampblack.daemon.client import Client, NoServiceError

Event = dict[str, Any]


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Describe the command's options."""
    parser.add_argument("folder", metavar="FOLDER", type=Path, help="a shoot that is watched with a camera")
    what = parser.add_mutually_exclusive_group()
    what.add_argument("--cover", action="store_true", help="until every tone of the subject is held in some frame")
    what.add_argument("--at", type=_marks, metavar="f/16,f/8,...", help="these apertures; or: readings, those logged")
    what.add_argument("--frames", type=int, metavar="N", help="so many frames about where the camera stands")
    what.add_argument(
        "--lamps",
        type=_names,
        metavar="key,fill,...",
        help="each lamp alone, then none, then all: it says what to switch",
    )
    what.add_argument("--switched", action="store_true", help="the switch is thrown: go on (space in the panel)")
    what.add_argument("--halt", action="store_true", help="end the run that is on")
    parser.add_argument("--thirds", type=int, default=3, metavar="M", help="between frames, in thirds of a stop (3)")
    parser.add_argument("--pause", type=float, metavar="S", help="with --lamps: seconds for each switch, without a key")
    parser.add_argument("--aim", metavar="AIM", help="what the run tries to reach (without: the aim as it is)")
    parser.add_argument("--hold-aperture", action="store_true", help="step the time, for depth of field")
    parser.add_argument("--json", action="store_true", help="print one JSON object a step")


def _names(text: str) -> list[str]:
    return [name.strip() for name in text.split(",") if name.strip()]


def _marks(text: str) -> Any:
    if text == "readings":
        return text
    try:
        return [float(part.strip().lower().removeprefix("f/")) for part in text.split(",")]
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: write apertures as f/16,f/8,f/4") from None


def run(args: argparse.Namespace) -> int:
    """Have the service run a bracket, and tell how it goes; return the exit status of the contract."""
    folder = standing.folder_of(args)
    try:
        with contextlib.closing(Client.connect(folder)) as client:
            return _follow(args, client)
    except NoServiceError:
        nobody = "Nobody watches this folder: lampblack watch it first, with --camera."
        return standing.fail(args, folder, nobody if folder.is_dir() else standing.no_folder(folder))
    except (TimeoutError, OSError) as wrong:
        return standing.fail(args, folder, clean(str(wrong)))


def _follow(args: argparse.Namespace, client: Client) -> int:
    if args.halt or args.switched:
        return _said(args, client.ask({"do": "halt" if args.halt else "switched"}, standing.ANSWER_S))
    if args.aim is not None:
        reply = client.ask({"do": "aim", "aim": args.aim}, standing.ANSWER_S)
        if not reply.get("ok"):
            return _said(args, reply)
    request = {
        "do": "bracket", "cover": args.cover, "at": args.at, "frames": args.frames, "thirds": args.thirds,
        "hold_aperture": args.hold_aperture, "lamps": args.lamps, "pause_s": args.pause,
    }  # fmt: skip
    reply = client.ask(request, standing.ANSWER_S)
    if not reply.get("ok"):
        return _said(args, reply)
    return _to_the_end(args, client)


def _to_the_end(args: argparse.Namespace, client: Client) -> int:
    while True:
        for event in client.receive(600):
            if event.get("event") != "run" or not isinstance(event.get("run"), dict):
                continue
            told = event["run"]
            if args.json:
                standing.print_json(told)
            else:
                print(clean(str(told.get("text") or ""), 400), flush=True)
            if told.get("state") == "ended":
                return 0 if told.get("end") in ("met", "covered", "shot") else 1


def _said(args: argparse.Namespace, reply: Event) -> int:
    text = clean(str(reply.get("text") or ""), 400)
    if args.json:
        standing.print_json({"text": text} if reply.get("ok") else {"error": text})
    else:
        print(text, file=sys.stdout if reply.get("ok") else sys.stderr)
    return 0 if reply.get("ok") else 1
