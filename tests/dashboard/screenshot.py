"""The screen as a picture (SVG), for a journal and a size, without a terminal.

The README's picture of the dashboard is made by it.
"""

from __future__ import annotations

import asyncio
import re
from pathlib import Path

from monitor.dashboard.app import DashboardApp
from monitor.dashboard.follower import Follower

__all__ = ["screenshot_svg"]


def screenshot_svg(path: Path, size: tuple[int, int] = (100, 32), at_s: float | None = None) -> str:
    """SVG of the dashboard at `size` (columns, rows).

    `at_s`: the screen as it was at that journal time [s]; without it, as it is now.
    """

    async def taken() -> str:
        follower = Follower(path, until_s=at_s)
        while follower.log.load():
            pass
        app = DashboardApp(path, follower=follower)
        async with app.run_test(size=size) as pilot:
            await pilot.pause()
            return _alone(app.export_screenshot(title="mantlewatch"))

    return asyncio.run(taken())


def _alone(svg: str) -> str:
    """The picture without fonts and remarks from elsewhere: it loads nothing when it is opened."""
    bare = re.sub(r"@font-face\s*\{.*?\}\s*", "", svg, flags=re.DOTALL)
    return re.sub(r"<!--.*?-->\s*", "", bare, flags=re.DOTALL)
