-- One row a removed sensor with the bench's verdict.
select serial, result, part_lot
from current.returns
