"""Start one kernel a workbook before anyone asks, one after the other, the first of the landing page first."""

from __future__ import annotations

import asyncio
import logging

from voila.request_info_handler import RequestInfoSocketHandler

log = logging.getLogger(__name__)

#: How long one workbook may take to reach the cell that waits for its reader, before the next is started [s].
PATIENCE_SECONDS = 30.0


async def preheat(manager, names: list[str]) -> None:
    """Fill the pools of a kernel manager in order.

    Parameters
    ----------
    manager : VoilaKernelManager
        Made with pools of size 0.
    names : list of str
        Notebooks, the most likely first.
    """
    manager.kernel_pools_config = {"default": {"pool_size": 1}}
    for name in names:
        if manager.get_pool_size(name) == 0:
            manager.fill_if_needed(delay=0, notebook_name=name)
        await _until_waiting(manager, name)


async def discard_dead(manager, name: str) -> None:
    """Drop a pooled kernel that died while it waited, so that no reader gets it.

    Parameters
    ----------
    manager : VoilaKernelManager
        Its pools are looked at.
    name : str
        Notebook.
    """
    for item in list(getattr(manager, "_pools", {}).get(name, [])):
        if not item.done():
            continue
        failed = item.cancelled() or item.exception() is not None
        if failed or not await is_alive(manager, item.result()["kernel_id"]):
            manager._pools[name].remove(item)
            manager.fill_if_needed(delay=None, notebook_name=name)


async def is_alive(manager, kernel_id: str) -> bool:
    """Say whether a kernel exists and its process runs."""
    if kernel_id not in manager:
        return False
    return bool(await manager.get_kernel(kernel_id).is_alive())


async def _until_waiting(manager, name: str) -> None:
    """Return when the pooled kernel of a notebook waits for its reader, has run through, or took too long."""
    pool = manager._pools.get(name, [])
    if not pool:
        return
    try:
        async with asyncio.timeout(PATIENCE_SECONDS):
            content = await asyncio.shield(pool[0])
            while content["kernel_id"] not in RequestInfoSocketHandler._waiters and not content["task"].done():
                await asyncio.sleep(0.1)
    except TimeoutError:
        log.warning("%s was not ready after %s s; going on with the next", name, PATIENCE_SECONDS)
    except Exception:
        log.exception("%s could not be started beforehand", name)
