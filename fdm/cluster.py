"""The workers of a Dask cluster as a crew."""
