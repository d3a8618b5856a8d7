"""`quietcopper serve`: the review page with decisions and what-if, on this machine."""

from __future__ import annotations

import argparse
import signal
from pathlib import Path
from typing import Any

from quietcopper.cli import reading
from quietcopper.errors import CallError

EPILOG = """\
The page is the review.html of the folder. Served, it also takes decisions (into the file that `quietcopper decide`
writes), tries proposed changes and thicknesses on the board, and saves what was collected as a plan for `what-if`.

It listens on this machine alone and answers whoever opens the address with the key that is printed. With --host it can
be reached from elsewhere, unencrypted: do that in a network you trust only."""


def add_parser(commands: Any) -> None:
    p = commands.add_parser(
        "serve",
        help="the review page, with decisions and what-if",
        description="Serves a review's page on this machine; a board is reviewed first.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    p.add_argument(
        "target",
        metavar="REVIEW-OR-BOARD",
        type=Path,
        nargs="?",
        default=Path(),
        help=f"the folder of a review (default: this one), or {reading.BOARD}",
    )
    p.add_argument("-s", "--settings", metavar="SETTINGS.toml", type=Path, help="of a board that is reviewed first")
    p.add_argument("-o", "--output", metavar="DIR", type=Path, help="where that review goes (default: name-review)")
    p.add_argument("--decisions", metavar="FILE", type=Path, help="the file for decisions (default: beside the board)")
    p.add_argument("--host", default="127.0.0.1", metavar="ADDRESS", help="to listen on (default: 127.0.0.1)")
    p.add_argument("--name", action="append", default=[], help="host name by which it may be called, with --host")
    p.add_argument("--port", type=int, default=0, metavar="N", help="to listen on (default: any that is free)")
    p.add_argument("--open", action="store_true", help="open the page in the browser")


def run(args: argparse.Namespace) -> int:
    from quietcopper.cli.review import review_to_folder
    from quietcopper.web.server import Server, folder_of, is_loopback
    from quietcopper.web.service import Service

    if not 0 <= args.port <= 65535:
        raise CallError(f"--port {args.port}: expected 0 to 65535")
    folder = folder_of(args.target)
    if folder is None:
        if args.target == Path():
            raise CallError("this folder holds no review; name the folder of a review, or a board")
        folder = args.output or Path(args.target.name.split(".")[0] + "-review")
        review_to_folder(args.target, args.settings, folder, decisions_path=args.decisions)
    service = Service(folder, args.decisions)
    try:
        server = Server(service, args.host, args.port, tuple(args.name))
    except OSError as e:
        raise CallError(f"{args.host} port {args.port}: cannot be listened on ({e.strerror}); try another") from e
    with server:
        try:
            if not is_loopback(args.host):
                print("anyone in the network who has this address can read the review and decide:")
            print(server.address, flush=True)
            if args.open:
                import webbrowser

                webbrowser.open(server.address)
            for number in (signal.SIGINT, signal.SIGTERM):  # a shell may have had them ignored
                signal.signal(number, signal.default_int_handler)
            server.serve_forever()
        except KeyboardInterrupt:
            print("stopped")
    return 0
