"""What the records themselves say: quarantine, clocks, reports made, one episode."""
