"""Every number and switch of the server, in code, so that no file in the working directory can move one."""

from __future__ import annotations

import ipaddress
import os
import tomllib
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from traitlets.config import Config

PACKAGE_DIR = Path(__file__).resolve().parent.parent
SHARE_DIR = PACKAGE_DIR / "share" / "jupyter"
TEMPLATE = "handbook"
TEMPLATE_DIR = SHARE_DIR / "voila" / "templates" / TEMPLATE

DEFAULT_PORT = 8866
DEFAULT_HOST = "127.0.0.1"
DEFAULT_QUERY = "units=us"

MIB = 1024 * 1024
#: The largest file a workbook accepts, a log; it is refused with a sentence by the code in the kernel.
MAX_UPLOAD_BYTES = 40 * MIB
#: The most that travels to the kernel at once, be it in several files; the page itself stops more, with a sentence.
MAX_TRANSPORT_BYTES = 44 * MIB
#: The largest websocket message: such files and the envelope round them. A larger one closes its connection.
MAX_MESSAGE_BYTES = MAX_TRANSPORT_BYTES + 1 * MIB
#: The longest query string that is passed on to a page; a build sheet in the address stays well below.
MAX_QUERY_BYTES = 16 * 1024

CULL_IDLE_SECONDS = 30 * 60
CULL_INTERVAL_SECONDS = 60

#: Our kernels find here the address of the plot script; elsewhere (JupyterLab) the variable is not set.
PLOT_SCRIPT_VARIABLE = "WORKBOOKS_PLOT_SCRIPT"
PLOT_SCRIPT = "widgetbundle.js"

CONTENT_SECURITY_POLICY = "; ".join(
    [
        "default-src 'self'",
        "script-src 'self' 'unsafe-inline' 'unsafe-eval' blob:",
        "style-src 'self' 'unsafe-inline'",
        "img-src 'self' data: blob:",
        "font-src 'self' data:",
        "connect-src 'self' data: blob:",
        "worker-src 'self' blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'self'",
    ]
)


@dataclass(frozen=True)
class Options:
    """What one start of the server was asked for.

    Parameters
    ----------
    port : int
        TCP port; it has been found free already.
    host : str
        Address to listen on.
    notebook_dir : Path
        Folder with the workbooks.
    hashed_password : str
        Empty for none, which only a loopback address may have.
    preheat : bool
        Keep one started kernel a workbook, waiting for its reader.
    open_browser : bool
        Open the landing page once it answers.
    cull_idle_seconds, cull_interval_seconds : int
        An abandoned kernel is stopped after the first; looked for every second [s].
    """

    port: int = DEFAULT_PORT
    host: str = DEFAULT_HOST
    notebook_dir: Path = PACKAGE_DIR
    hashed_password: str = ""
    preheat: bool = True
    open_browser: bool = False
    cull_idle_seconds: int = CULL_IDLE_SECONDS
    cull_interval_seconds: int = CULL_INTERVAL_SECONDS

    @property
    def loopback(self) -> bool:
        """Whether only this machine can reach the server."""
        return is_loopback(self.host)

    @property
    def address(self) -> str:
        """What to type into a browser on this machine."""
        host = "127.0.0.1" if self.host in ("", "0.0.0.0", "::") else self.host
        return f"http://[{host}]:{self.port}/" if ":" in host else f"http://{host}:{self.port}/"


def is_loopback(host: str) -> bool:
    """Say whether a host name or address is this machine alone."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def version() -> str:
    """Return the version of the installed distribution, or that of the checkout it runs from."""
    try:
        return metadata.version("nitrous-workbook")
    except metadata.PackageNotFoundError:
        text = (PACKAGE_DIR.parent / "pyproject.toml").read_text(encoding="utf-8")
        return tomllib.loads(text)["project"]["version"]


def build_config(options: Options) -> Config:
    """Return the whole Voila configuration for one start.

    Parameters
    ----------
    options : Options
        What was asked for.

    Returns
    -------
    Config
        Complete: no configuration file is read beside it.
    """
    config = Config()
    config.WorkbookServer.update(
        ip=options.host,
        port=options.port,
        port_retries=0,
        open_browser=False,
        root_dir=str(options.notebook_dir),
        config_file_paths=[],
        log_level="WARN",
        tornado_settings={
            "websocket_max_message_size": MAX_MESSAGE_BYTES,
            "allow_remote_access": not options.loopback,
            "local_hostnames": ["localhost"],
            "ws_ping_interval": 30_000,
        },
    )
    config.VoilaConfiguration.update(
        template=TEMPLATE,
        theme="light",
        file_allowlist=[],
        file_denylist=[".*"],
        allow_template_override="NO",
        allow_theme_override="NO",
        show_tracebacks=False,
        strip_sources=True,
        classic_tree=True,
        preheat_kernel=options.preheat,
        progressive_rendering=False,
        extension_allowlist=["@jupyter-widgets/jupyterlab-manager", "@voila-dashboards/widgets-manager8", "anywidget"],
    )
    config.VoilaExecutor.cell_error_instruction = "The numbers of this part are missing; the reason is in the log."
    # No clock on a cell: a preheated kernel stands in one until a visitor comes, be it after hours.
    config.VoilaExecutor.timeout = None
    # Nothing is preheated by Voila itself: serve/preheat.py does it, one workbook after the other.
    config.VoilaKernelManager.kernel_pools_config = {"default": {"pool_size": 0}}
    config.MappingKernelManager.update(
        cull_idle_timeout=options.cull_idle_seconds,
        cull_interval=options.cull_interval_seconds,
        cull_connected=False,
    )
    # A dragged slider draws several pictures ten times a second. A message dropped for being one too many would be the one
    # that tells a slider it may speak again.
    config.ZMQChannelsWebsocketConnection.limit_rate = False
    # A kernel that died has lost its page's state: the page says so, a silent restart would not.
    config.KernelManager.autorestart = False
    # Where the kernel can, it encrypts what it says on the local ports: other users of this machine may listen.
    config.KernelManager.transport_encryption = "auto"
    config.PasswordIdentityProvider.update(
        hashed_password=options.hashed_password,
        password_required=bool(options.hashed_password),
        allow_password_change=False,
    )
    return config


def set_environment(options: Options) -> None:
    """Prepare this process' environment, which the kernels inherit.

    Parameters
    ----------
    options : Options
        What was asked for.
    """
    _prepend("JUPYTER_PATH", str(SHARE_DIR))
    if (PACKAGE_DIR.parent / "pyproject.toml").is_file():
        _prepend("PYTHONPATH", str(PACKAGE_DIR.parent))
    os.environ["VOILA_APP_IP"] = "127.0.0.1" if options.host in ("", "0.0.0.0", "::") else options.host
    os.environ[PLOT_SCRIPT_VARIABLE] = f"/voila/static/{PLOT_SCRIPT}?v={metadata.version('plotly')}"
    # A kernel asks this server for its reader's query string: never through a proxy.
    for name in ("NO_PROXY", "no_proxy"):
        _prepend(name, f"127.0.0.1,localhost,{os.environ['VOILA_APP_IP']}", separator=",")


def _prepend(name: str, value: str, separator: str = os.pathsep) -> None:
    """Put a value at the head of a list-like environment variable."""
    rest = os.environ.get(name, "")
    os.environ[name] = separator.join([value, rest]) if rest else value
