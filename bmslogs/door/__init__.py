"""What stands behind `import bmslogs`: private, as are all modules of the package; the names of `bmslogs` are not."""
