"""The contracts of nodeday: every table, column, unit, code and feature, declared once.

``nodeday.schemas.compiled`` turns a declaration into a pandera schema and an Arrow schema,
``nodeday.schemas.dictionary`` into text. Nothing here imports more than the standard library.
"""

from nodeday.schemas.declare import Column, Table
from nodeday.schemas.features import BARRED, FEATURE, FEATURES, Feature
from nodeday.schemas.tables import TABLES

__all__ = ["BARRED", "FEATURE", "FEATURES", "TABLES", "Column", "Feature", "Table"]
