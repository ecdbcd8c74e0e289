"""Results: NetCDF, CSV, Parquet, whole or not at all."""
