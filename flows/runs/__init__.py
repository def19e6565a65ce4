"""What flows do, as plain functions of an opened home: without Prefect, or inside its flows."""
