"""The record of what was measured: database, files, pages."""
