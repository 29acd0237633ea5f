"""What every section of the config is."""

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """What every section is: frozen, strict, and closed to unknown keys."""

    model_config = ConfigDict(
        frozen=True,
        strict=True,
        extra="forbid",
        allow_inf_nan=False,
        validate_by_name=True,
        validate_by_alias=True,
        use_attribute_docstrings=True,
    )
