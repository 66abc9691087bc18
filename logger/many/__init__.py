"""Many runs computed again at once, by processes of this computer or by a Dask cluster."""
