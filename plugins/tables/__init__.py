"""Files of rows and columns: CSV, HDF5, MATLAB, MDF4, NumPy, Parquet, WAV, and what they share."""
