"""Farm: many frames over processes and machines, with nothing lost and the same bits as one process."""
