"""Master data of the plant: sites, materials, weighing instruments, container types, dated settings."""
