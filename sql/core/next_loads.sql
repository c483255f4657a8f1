-- One row a question that was asked of the exposure log, with its answer: the first load of a trailer after a moment, and
-- whether it was at another lane than the one named. The next build asks only what these do not tell.
select distinct trailer_id, after_at, terminal, lane, next_load_at, at_other_lane
from steps.next_loads
