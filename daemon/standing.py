"""What one says to a folder's service, or asks of it: how it goes, its end, what a person knows of the picture."""

from __future__ import annotations

import argparse
import contextlib
import fcntl
import json
import os
import shlex
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lampblack.daemon.clean import clean, clean_name, clean_path, sentence
from lampblack.daemon.client import (
    LOCK_NAME,
    Client,
    NoServiceError,
    Whereabouts,
    ask,
    busy_with,
    is_alive,
    locate,
    sockets,
    waiting_for,
)

if TYPE_CHECKING:  # heavy, and not needed by most
    from lampblack.daemon.journal import Journal
    from lampblack.daemon.memory import Memory

STOP_S = 30.0
ANSWER_S = 10.0

Json = dict[str, Any]


# ---------------------------------------------------------------- the commands


def status(args: argparse.Namespace) -> int:
    """Say what is being watched, and how it goes; returns the exit status."""
    folder = folder_of(args)
    if args.folder is not None or running_for(folder) is not None:
        if not folder.is_dir() and running_for(folder) is None:
            return fail(args, folder, no_folder(folder))
        return _say_status(args, folder)
    folders = _all_running()
    if not folders and not args.json:
        print("Nothing is being watched.")
        return 0
    return max(_say_status(args, each) for each in folders or [folder])


def _say_status(args: argparse.Namespace, folder: Path) -> int:
    status = status_of(folder)
    if args.json:
        print_json(status)
    elif "error" in status:
        print(f"{clean_name(folder)}: {status['error']}", file=sys.stderr)
    else:
        print(_status_line(folder, status))
    return 1 if "error" in status else 0


def status_of(folder: Path) -> Json:
    """Return what a folder's service says of itself, or that there is none; `error` where it doesn't answer."""
    nothing: Json = {
        "running": False,
        "folder": folder_text(folder),
        **dict.fromkeys(["pid", "frames", "refused", "waiting", "camera", "setup", "newest"]),
    }
    try:
        reply = ask(folder, {"do": "status"}, ANSWER_S)
    except NoServiceError:
        return nothing
    except (TimeoutError, OSError) as wrong:
        running = running_for(folder)
        return {**nothing, "running": True, "pid": running and running.pid, "error": clean(str(wrong))}
    told = reply.get("status")
    if not isinstance(told, dict):
        return {**nothing, "running": True, "error": "The service's answer is not understood: is it another version?"}
    counts = told.pop("counts", {})
    return {**nothing, **told, **counts, "running": True, "folder": folder_text(folder)}


def _status_line(folder: Path, status: Json) -> str:
    name = clean_name(folder)
    if not status["running"]:
        return f"{name}: not being watched."
    words = [f"{name}: {(status.get('service') or {}).get('text') or 'watching'}"]
    frames = "1 frame" if status["frames"] == 1 else f"{status['frames']} frames"
    words.append(f"{frames}, {status['refused']} refused, {status['waiting']} waiting.")
    setup = status.get("setup") or {}
    words.append(f"Setup {setup.get('number')}" + (f" ({setup['name']})." if setup.get("name") else "."))
    camera = status.get("camera") or {}
    if camera.get("state") not in (None, "none"):
        words.append(f"Camera: {sentence(camera.get('text') or camera['state'])}")
    newest = status.get("newest") or {}
    if newest:
        words += filter(None, [_white_words(newest.get("saturation") or {})])
        words.append(sentence(f"Newest: {newest.get('file')}: {(newest.get('next') or {}).get('why')}"))
    return " ".join(words)


def _white_words(saturation: Json) -> str:
    """Return by what the newest frame's white was reckoned, if it is raw."""
    frames = saturation.get("frames")
    return {
        "data": "White is where this frame is full.",
        "setup": f"White is where this setup's frames are full ({frames} seen).",
        "kept": f"White is where this camera's frames were full ({frames} seen).",
        "tag": f"White is where the file says, within {saturation.get('sure_stops')} stop: no frame has shown it yet.",
    }.get(str(saturation.get("from")), "")


def spot(args: argparse.Namespace) -> int:
    """Name a spot, take one back, or list them; returns the exit status."""
    from lampblack.rules.spots import written  # heavy: the others here need no image library

    spot = None if args.spot is None else written(args.spot)
    return say(args, {"do": "spot", "spot": spot, "remove": args.remove}, "spots")


def region(args: argparse.Namespace) -> int:
    """Say what a part of the picture is, take that back, or list them; returns the exit status."""
    given, gone = (None if each is None else each.text for each in (args.region, args.remove))
    return say(args, {"do": "region", "region": given, "remove": gone}, "regions")


def plate(args: argparse.Namespace) -> int:
    """Say which frame is the clean plate, that none is, or ask; returns the exit status."""
    return say(args, {"do": "plate", "frame": args.frame, "remove": args.remove}, "plate")


def reading(args: argparse.Namespace) -> int:
    """Log incident readings, take one back, or list them with their ratios; returns the exit status."""
    text = " ".join(args.readings) or None
    asked = {"do": "reading", "reading": text, "remove": args.remove, "meter": args.meter, "setup": args.setup}
    return say(args, asked, "readings", "ratios")


def lamp(args: argparse.Namespace) -> int:
    """Name a lamp, mark what a frame shows, rate a circuit, or list them; returns the exit status."""
    keys = ("name", "kind", "role", "watts", "distance", "at", "above", "of", "size", "modifier", "gel", "circuit")
    more = ("rating", "frame", "remove", "setup", "depth", "backdrop", "camera", "reflector")
    return say(args, {"do": "lamp", **{key: getattr(args, key) for key in (*keys, *more)}}, "lamps", "floor")


def say(args: argparse.Namespace, request: Json, *keys: str) -> int:
    """Say something of a shoot, to its service or else into its journal; returns the exit status."""
    folder = folder_of(args)
    reply = answer_of(folder, request)
    text = clean(str(reply.get("text") or ""), 2000)
    if not reply.get("ok"):
        return fail(args, folder, text)
    if args.json:
        print_json({"folder": folder_text(folder), "text": text, **{key: reply.get(key) for key in keys}})
    else:
        print("\n".join(_lines_of(request, reply, text)))
    return 0


def _lines_of(request: Json, reply: Json, text: str) -> list[str]:
    """Return a reply as lines: lists stand one below the other."""
    if isinstance(reply.get("lines"), list):
        return [clean(str(line), 2000) for line in reply["lines"]] or [text]
    return text.split("; ") if request["do"] == "reading" else [text]


def answer_of(folder: Path, request: Json) -> Json:
    """Return what a shoot's service, or else its journal, answers: `ok`, `text`, and what was asked for."""
    try:
        return ask(folder, request, ANSWER_S)
    except NoServiceError:
        return _without_service(folder, request) if folder.is_dir() else {"ok": False, "text": no_folder(folder)}
    except (TimeoutError, OSError) as wrong:
        return {"ok": False, "text": clean(str(wrong))}


_LISTS = ("spot", "region", "plate", "reading", "lamp", "note")
"""Requests that only ask where nothing is said with them."""


def _without_service(folder: Path, request: Json) -> Json:
    """Answer from the journal alone; the folder's lock keeps a service from starting meanwhile."""
    from lampblack.daemon import answers, journal, memory, premises  # heavy, as above

    try:
        lock = premises.FolderLock(folder)
    except (premises.AlreadyWatchedError, premises.StartError) as wrong:
        return {"ok": False, "text": str(wrong)}
    try:
        place = folder / journal.NAME
        asks = all(value is None or value is False for key, value in request.items() if key not in ("do", "meter"))
        if asks and request["do"] in _LISTS and not place.exists():
            return answers.answer(memory.Memory(), request)[0]  # nothing is known, and none is made for the asking
        kept, said = journal.Journal.open(place)
        with contextlib.closing(kept):
            if said:
                print(said, file=sys.stderr)
            told = memory.Memory.of(kept)
            if request["do"] == "slate":
                number = told.next_setup
                kept.begin_setup(number, clean(request["name"] or "", 60).strip() or None)
                return {"ok": True, "text": f"Setup {number} begins."}
            if request["do"] == "move":
                return _moved(told, kept, request)
            reply, entry = answers.answer(told, request)
            if entry is not None:
                kept.note(*entry)
            return reply
    except journal.JournalError as wrong:
        return {"ok": False, "text": str(wrong)}
    finally:
        lock.release()


def _moved(told: Memory, kept: Journal, request: Json) -> Json:
    """Move frames to another setup; who has asked has them judged again."""
    from lampblack.daemon import answers

    try:
        move = answers.move_of(told, request)
    except ValueError as wrong:
        return {"ok": False, "text": str(wrong)}
    move.write(kept)
    return {"ok": True, "text": move.text, "setup": move.setup, "frames": move.frames, "to_judge": move.affected}


def stop(args: argparse.Namespace) -> int:
    """End a folder's service, and wait for it; returns the exit status."""
    folder = folder_of(args)
    running = running_for(folder)
    if running is not None and (busy := busy_with(folder)) is not None:
        return fail(args, folder, f"{clean_name(folder)} {busy}")
    if running is None:
        if not folder.is_dir():
            return fail(args, folder, no_folder(folder))
        return _stopped(args, folder, was_running=False, text="is not being watched.")
    with contextlib.suppress(NoServiceError, TimeoutError, OSError):
        ask(folder, {"do": "stop"}, ANSWER_S)
    if not _wait_gone(folder, running, STOP_S):
        return fail(args, folder, f"The service (process {running.pid}) does not end: see its log.")
    return _stopped(args, folder, was_running=True, text="is no longer watched.")


def _stopped(args: argparse.Namespace, folder: Path, *, was_running: bool, text: str) -> int:
    if args.json:
        print_json({"running": False, "was_running": was_running, "folder": folder_text(folder)})
    else:
        print(f"{clean_name(folder)} {text}")
    return 0


def _wait_gone(folder: Path, running: Whereabouts, timeout_s: float) -> bool:
    """Wait until the service has let go of the folder; it is nudged once if it doesn't answer."""
    deadline = time.monotonic() + timeout_s
    nudged = False
    while time.monotonic() < deadline:
        if _is_gone(folder, running):
            return True
        if not nudged and time.monotonic() > deadline - timeout_s / 2 and running.pid is not None:
            nudged = True
            with contextlib.suppress(OSError):
                os.kill(running.pid, signal.SIGTERM)
        time.sleep(0.05)
    return False


def _is_gone(folder: Path, running: Whereabouts) -> bool:
    if _is_locked(folder / LOCK_NAME):
        return False
    return running.pid is None or not is_alive(running.pid) or not running.socket.exists()


def _is_locked(path: Path) -> bool:
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(handle)
    return False


def running_for(folder: Path) -> Whereabouts | None:
    """Return whom to talk to about a folder: who holds its lock, or waits for it while it is gone; or nobody."""
    if not _is_locked(folder / LOCK_NAME):
        return waiting_for(folder)
    try:
        return locate(folder)
    except NoServiceError:
        return Whereabouts(folder, Path(), None)


def _all_running() -> list[Path]:
    """Return the folders of the services known in the run folders."""
    found = []
    for place, pid in sockets():
        with (
            contextlib.suppress(OSError, NoServiceError, TimeoutError),
            Client.reach(Whereabouts(Path(), place, pid)) as talk,
        ):
            folder = (talk.ask({"do": "status"}, ANSWER_S).get("status") or {}).get("folder")
            if isinstance(folder, str):
                found.append(Path(folder))
    return found


# ---------------------------------------------------------------- folders and printing, for other commands too


def folder_of(args: argparse.Namespace) -> Path:
    """Return the folder meant, absolute; none given: here."""
    return Path(os.path.realpath((args.folder or Path.cwd()).expanduser()))


def no_folder(folder: Path, waits: Whereabouts | None = None) -> str:
    """Return a line about a folder that isn't there; waits: the service that waits for it."""
    name = clean_name(folder)
    if waits is None:
        return f"{name} is no folder: make it, or see to its name."
    return (
        f"{name} is gone, and process {waits.pid} waits for it: bring it back, or end it with "
        f"lampblack stop {in_shell(folder)}"
    )


def print_json(value: Json) -> None:
    """Print one JSON object on a line."""
    print(json.dumps(value, ensure_ascii=False, allow_nan=False), flush=True)


def fail(args: argparse.Namespace, folder: Path, text: str) -> int:
    """Say what went wrong, as an object too where JSON was asked for; returns the exit status."""
    if getattr(args, "json", False):
        print_json({"folder": folder_text(folder), "error": text})
    print(text, file=sys.stderr)
    return 1


def fail_file(args: argparse.Namespace, path: bytes | str | None, reason: str) -> int:
    """Say what went wrong with a file, as an object too where JSON was asked for; returns the exit status."""
    name, reason = None if path is None else clean_path(path), clean(reason, 400)
    if args.json:
        print_json({"file": name, "error": reason})
    print(f"{name}: {reason}" if name else reason, file=sys.stderr)
    return 1


def folder_text(folder: Path) -> str:
    """Return a folder's path as JSON has it."""
    return os.fsencode(folder).decode("utf-8", "replace")


def in_shell(folder: Path) -> str:
    """Return a folder as it is typed in a shell."""
    return shlex.quote(clean_name(os.fspath(folder), 300))
