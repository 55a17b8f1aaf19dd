"""Products made from finished tables: exports, lineage, audit, the viewer."""
