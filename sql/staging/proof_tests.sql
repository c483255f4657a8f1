-- One row a planned function test of one position.
select trailer_id, position, tested_at, result, shop
from current.proof_tests
