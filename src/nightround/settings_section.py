"""What every section of the settings is made of: unknown keys are refused, and no error ever shows a value."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Section(BaseModel):
    """A table of the settings file; the docstring under a key is its documentation."""

    model_config = ConfigDict(extra="forbid", hide_input_in_errors=True, use_attribute_docstrings=True)
