"""The contracts of nodeday: every table, column, unit, code and feature, declared once.

``nodeday.schemas.compile`` turns a declaration into dtypes and schemas, ``nodeday.schemas.dictionary`` into
text. All other modules import the standard library only.
"""

from nodeday.schemas.declare import Column, Feature, Table
from nodeday.schemas.features import BARRED, FEATURE, FEATURES
from nodeday.schemas.tables import TABLES

__all__ = ["BARRED", "FEATURE", "FEATURES", "TABLES", "Column", "Feature", "Table"]
