"""From files to a store of accepted rows: readers, intake, versioned store, forms, privacy."""
