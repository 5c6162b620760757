"""Nothing is compiled or loaded while a planner waits for a piece."""

import subprocess
import sys
from pathlib import Path

LOOK = """
import sys
sys.path.insert(0, {tests!r})
import numpy as np
from numba.core.dispatcher import Dispatcher
from test_shape_scenes import ELLIPSOID, Scanner, Solid, belt_lines, scan
from geomscan.shape.finder import PieceFinder
from geomscan.shape.settings import ShapeSettings

def compiled():
    modules = [m for name, m in sys.modules.items() if name.startswith("geomscan.shape.")]
    kernels = [f for m in modules for f in vars(m).values() if isinstance(f, Dispatcher)]
    return {{(f.py_func.__module__, f.__name__): len(f.signatures) for f in kernels}}

scanner = Scanner(half_mm=45.0)
finder = PieceFinder(scanner.geometry("ab"), ShapeSettings())
e = np.arange(0.0, 120.0, 1.0)
axes = (16.0, 14.0, 9.0)
solids = [Solid(ELLIPSOID, 36.0, 0.0, axes), Solid(ELLIPSOID, 67.5, 2.0, axes)]
lines = scan(solids, e, scanner=scanner, heads="ab", seed=1)
before = None
finish = PieceFinder._finish

def watched(self, *args, **kwargs):
    global before
    before = before or compiled()
    return finish(self, *args, **kwargs)

PieceFinder._finish = watched
pieces = finder.push(belt_lines(e), lines) + finder.finish()
assert len(pieces) == 2 and all("touching" in piece.flags for piece in pieces), pieces
print([name for name, n in compiled().items() if n != before.get(name, 0)])
"""


def test_finishing_compiles_nothing() -> None:
    look = LOOK.format(tests=str(Path(__file__).parent))
    told = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
