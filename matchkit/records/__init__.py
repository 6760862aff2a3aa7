"""What a mouthpiece, a reed and a playtest are: one schema with many uses.

A field is declared once, as ``Annotated[type, Quantity(...)]`` on a frozen pydantic model. The csv header, the template, the
checks and every message about a column are computed from it.
"""
