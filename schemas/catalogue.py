"""The service's catalogue of cannulas: one entry a size, with the ranges it is meant for."""

from __future__ import annotations

from pydantic import Field, field_validator, model_validator

from schemas.located import Strict, parse_toml
from schemas.protocol import check_token

IDENTITY = ("family", "size_rank", "label", "prong_od_mm")
"""What an id stands for for good; ranges and `carried` may differ between deliveries."""


class Cannula(Strict):
    """One size: flows in L/min, weights in kg, outer diameter in mm."""

    id: str = Field(description="Token that settings and trips use; it never changes its meaning")
    family: str = Field(description="Kind of cannula")
    size_rank: int = Field(ge=-1000, le=1000, description="Order of sizes within the family")
    label: str = Field(description="How pages name it")
    prong_od_mm: float | None = Field(
        default=None, gt=0, description="Outer diameter of a prong, mm"
    )
    flow_min_lpm: float = Field(ge=0, description="Least flow it is meant for, L/min")
    flow_max_lpm: float = Field(ge=0, description="Largest flow it is meant for, L/min")
    weight_min_kg: float | None = Field(default=None, ge=0, description="Least weight, kg")
    weight_max_kg: float | None = Field(default=None, ge=0, description="Largest weight, kg")
    carried: bool = Field(
        default=True, description="false: not carried, but met at other hospitals"
    )

    _tokens = field_validator("id", "family", "label")(check_token)

    @model_validator(mode="after")
    def _ordered(self) -> Cannula:
        for low, high in (("flow_min_lpm", "flow_max_lpm"), ("weight_min_kg", "weight_max_kg")):
            least, most = getattr(self, low), getattr(self, high)
            if least is not None and most is not None and least > most:
                raise ValueError(f"{low} must not be above {high}, is {least:g} above {most:g}")
        return self


class Catalogue(Strict):
    """All entries of one cannulas.toml."""

    cannula: list[Cannula] = Field(min_length=1, description="One entry a size")

    @model_validator(mode="after")
    def _unambiguous(self) -> Catalogue:
        ids = [entry.id for entry in self.cannula]
        for value in sorted({i for i in ids if ids.count(i) > 1}):
            raise ValueError(f'two entries have the id "{value}"')
        return self


def parse_catalogue(text: str) -> Catalogue:
    """Read a catalogue's text; FileProblems lists every fault with its dotted path."""
    return parse_toml(text, Catalogue)
