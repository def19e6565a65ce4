"""The Prefect server and task runners that flows run on."""
