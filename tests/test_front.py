"""The front of the package: cheap to import, and all that it promises is there."""

import subprocess
import sys

import framecheck


def test_importing_costs_nothing() -> None:
    heavy = "numpy", "scipy", "astropy", "matplotlib", "photutils", "pyarrow", "typer"
    code = f"import framecheck, sys; print([name for name in {heavy} if name in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


def test_all_that_is_promised_is_there_and_described() -> None:
    for name in framecheck.__all__:
        offered = getattr(framecheck, name)
        assert name in dir(framecheck)
        assert offered.__doc__, name
        if name != "__version__":
            assert offered.__name__ == name
