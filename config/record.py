"""What every record of the bench file is made of."""

from pydantic import BaseModel, ConfigDict, Field


class Record(BaseModel):
    """Frozen; unknown keys are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


def number(low: float, high: float) -> object:
    """A finite number from `low` to `high`; never text or true/false."""
    return Field(strict=True, ge=low, le=high, allow_inf_nan=False)
