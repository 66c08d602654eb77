"""The addresses of the bench, one module for each subject; `READS` and `WRITES` list them."""
