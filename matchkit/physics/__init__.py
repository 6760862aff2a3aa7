"""The mechanics and the flow: arrays and floats in, arrays and floats out, SI throughout.

No record and no table is seen here; ``docs/physics.md`` tells the same story in one piece.
"""
