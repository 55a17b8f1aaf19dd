"""What is made of finished tables: exports, lineage, audit, the viewer."""
