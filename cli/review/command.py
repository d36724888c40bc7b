"""``crestgauge review``: the page where a person confirms, on this computer and on the phones around it."""

from __future__ import annotations

import socket
import sys
import threading
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from crestgauge.cli.app import EXIT_OK, EXIT_USAGE, app
from crestgauge.cli.screen import LedgerOption, WeightsOption

if TYPE_CHECKING:
    from crestgauge.cli.review.site import Site

PORT: Final = 8431
MISSING: Final = 'crestgauge review: not installed. Run: pip install "crestgauge[review]"'
CONNECTIONS: Final = 400
"""Connections at the same time: 60 phones with the six that a browser opens."""


@app.command()
def review(
    ledger: LedgerOption,
    photos: Annotated[
        Path | None,
        typer.Option(metavar="FOLDER", help="Where uploads are kept; default: beside the ledger."),
    ] = None,
    host: Annotated[
        str, typer.Option(metavar="ADDRESS", help="0.0.0.0 lets phones on the same network in, once paired.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option(min=0, max=65535, help="0 takes any that is free.")] = PORT,
    blind: Annotated[bool, typer.Option("--blind", help="All call before they see a proposal.")] = False,
    readers: Annotated[int, typer.Option(min=1, max=2, help="How many readers every photo needs.")] = 1,
    weights: WeightsOption = None,
    criteria: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Another key than the shipped one.")
    ] = None,
    manifest: Annotated[
        Path | None,
        typer.Option("--manifest", metavar="FILE", help="A manifest of other weights."),
    ] = None,
    workers: Annotated[
        int, typer.Option(min=1, max=16, metavar="N", help="New photos read at the same time.")
    ] = 1,
    unpair: Annotated[
        bool, typer.Option("--unpair", help="Forget all devices that were paired before.")
    ] = False,
) -> None:
    """
    Serve the page where a person looks, corrects and calls; stop it with Ctrl-C.

    On this computer alone unless --host says otherwise; then each device is paired once with the code that is
    printed. Needs no internet. Every age is a proposal for a trained person to confirm.

    \b
    Example:  crestgauge review --ledger season.db
    Exit status:  0 stopped with Ctrl-C   2 wrong usage, nothing started
    """
    try:
        import uvicorn

        from crestgauge.cli.review.app import make_app
        from crestgauge.cli.review.site import Settings, Site
    except ImportError as error:
        if error.name is not None and error.name.startswith("crestgauge"):
            raise
        typer.echo(f"{MISSING} ({error.name} is missing)", err=True)
        raise typer.Exit(EXIT_USAGE) from error
    from crestgauge.inference.ledger.store import Ledger
    from crestgauge.inference.pipeline import ReadOptions, pinned

    with closing(_listen(host, port)) as listener, Ledger(ledger, by="crestgauge review") as opened:
        shown_port = listener.getsockname()[1]
        settings = Settings(
            photos=photos,
            host=host,
            port=shown_port,
            network=not is_loopback(host),
            blind=blind,
            readers=readers,
            lanes=workers,
            read=pinned(ReadOptions(criteria=criteria, weights=weights, manifest=manifest)),
        )
        site = Site(opened, settings, on_paired=lambda code: _say_paired(host, shown_port, code))
        if unpair:
            typer.echo(f"{site.state.forget_devices()} devices forgotten.")
        _say_start(site)
        threading.Thread(target=site.warm_first, daemon=True).start()
        config = uvicorn.Config(
            make_app(site),
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            lifespan="on",
            limit_concurrency=CONNECTIONS,
            timeout_keep_alive=20,
            timeout_graceful_shutdown=5,
        )
        try:
            uvicorn.Server(config).run(sockets=[listener])
        except KeyboardInterrupt:
            pass
    typer.echo("Stopped. Calls are in the ledger; photos that were taken in are read at the next start.")
    raise typer.Exit(EXIT_OK)


def is_loopback(host: str) -> bool:
    """Whether only this computer reaches an address."""
    return host == "localhost" or host == "::1" or host.startswith("127.")


def _listen(host: str, port: int) -> socket.socket:
    """An open port; made first, so that its number is known where any is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listener = socket.socket(family, socket.SOCK_STREAM)
    if sys.platform != "win32":  # there it would let two servers share one port
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(256)
    except OSError as error:
        listener.close()
        raise typer.BadParameter(
            f"{host} port {port}: {error.strerror or error}. Choose another port.",
            param_hint="--host/--port",
        ) from error
    return listener


def _say_start(site: Site) -> None:
    if not site.network:
        typer.echo(f"Open {address(site.host, site.port)} in a browser on this computer.")
    else:
        typer.echo(f"Serving {address(reachable(site.host), site.port)} to paired devices on this network.")
        typer.echo("Pages travel unencrypted: use a network of your own, such as this computer's hotspot.")
        _say_code(site.host, site.port, site.pairing.code)
    if not site.settings.blind:
        return
    typer.echo("Everybody reads blind: proposals are shown after the call.")


def _say_paired(host: str, port: int, code: str) -> None:
    typer.echo("A device was paired. For the next one:")
    _say_code(host, port, code)


def _say_code(host: str, port: int, code: str) -> None:
    """The code to type, and the same as QR where the output is a terminal."""
    link = f"{address(reachable(host), port)}/pair?code={code}"
    if sys.stdout.isatty():
        import segno

        segno.make(link, error="l").terminal(out=sys.stdout, compact=True)
    typer.echo(f"Pair a device: {link}")
    typer.echo(f"or open {address(reachable(host), port)} there and type  {code}")


def address(host: str, port: int) -> str:
    """An address to open."""
    return f"http://{f'[{host}]' if ':' in host else host}:{port}"


def reachable(host: str) -> str:
    """The address under which other devices reach this computer: for 0.0.0.0, that of its network card."""
    if host not in ("0.0.0.0", "::"):
        return host
    family, target = (socket.AF_INET6, "2001:db8::1") if host == "::" else (socket.AF_INET, "192.0.2.1")
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            # Choosing a route sends nothing; the target is one reserved for documentation (RFC 5737, 3849).
            probe.connect((target, 9))
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()
