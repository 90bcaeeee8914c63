"""The papers and files of a job, each a projection of the plan."""
