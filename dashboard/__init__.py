"""The dashboard: pages in the browser over the store, served from this machine and from nowhere else."""
