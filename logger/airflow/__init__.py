"""Airflow as a measurement: the commands ``riselog traverse plan``, ``compute`` and their like."""
