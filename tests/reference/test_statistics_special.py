"""The functions of scipy that the statistics use, imported without the package they are kept in."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from scipy import special as whole

from pipeline.statistics import special

HERE = Path(special.__file__).parent
USED = sorted(
    {n for p in HERE.glob("*.py") for n in re.findall(r"\bspecial\.(\w+)", p.read_text())}
)


@pytest.mark.parametrize("name", sorted({*USED, "ndtri"} - {"zeta"}))
def test_functions_are_those_of_the_package(name: str) -> None:
    assert getattr(special, name) is getattr(whole, name)


def test_the_zeta_function_of_two_arguments_is_that_of_the_package() -> None:
    x = [0.01, 0.5, 1.0, 3.25, 1e6]
    assert special.zeta(2, x).tolist() == whole.zeta(2, x).tolist()


def test_a_function_that_is_not_compiled_comes_from_the_package() -> None:
    assert special.logsumexp is whole.logsumexp


def test_the_package_is_not_imported_for_them_and_works_afterwards() -> None:
    code = """
import sys
from pipeline.statistics import special
assert abs(special.ndtri(0.975) - 1.959964) < 1e-6
assert "scipy.special" not in sys.modules and "scipy.linalg" not in sys.modules
from scipy import stats
assert abs(stats.norm.ppf(0.975) - 1.959964) < 1e-6 and stats.binom.cdf(3, 3, 0.5) == 1
"""
    subprocess.run([sys.executable, "-c", code], check=True)
