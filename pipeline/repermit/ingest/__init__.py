"""CSV files to accepted rows, quarantine and a reconciliation that adds up."""
