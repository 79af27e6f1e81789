-- The heat of all dwellings with its expanded uncertainty, k = 2, from monthly.csv and
-- uncertainty.csv loaded as tables of that name. What a batch or all dwellings share
-- adds up with its signs, all else in squares. For the mean of another figure over
-- n dwellings divide the shifts by n.
WITH part AS (
  SELECT input, shared_by, batch, CAST(shift AS REAL) AS shift, CAST(batch_share AS REAL) AS share
  FROM uncertainty WHERE figure = 'heat_kwh'
), own AS (
  SELECT sum(shift * shift * (1 - share)) AS variance FROM part WHERE shared_by <> 'all'
), of_batch AS (
  SELECT sum(shift * sqrt(share)) AS shift FROM part WHERE shared_by = 'batch' GROUP BY input, batch
), of_all AS (
  SELECT sum(shift) AS shift FROM part WHERE shared_by = 'all' GROUP BY input
)
SELECT
  (SELECT sum(CAST(heat_kwh AS REAL)) FROM monthly WHERE month = 'all') AS heat_kwh,
  2 * sqrt((SELECT variance FROM own)
    + coalesce((SELECT sum(shift * shift) FROM of_batch), 0)
    + coalesce((SELECT sum(shift * shift) FROM of_all), 0)) AS heat_u95_kwh;
