"""What drives the workflow: stages, digests of code, resources, the run and its account."""
