-- What could not be judged, how often, and the reason given most.
CREATE OR REPLACE VIEW not_assessed AS
SELECT
    bike,
    rule,
    count(*) FILTER (state = 'not_assessed') AS rides_not_assessed,
    count(*) AS rides,
    round(sum(exposure_s), 3) AS exposure_s,
    CAST(sum(events) AS BIGINT) AS events,
    mode(reason ORDER BY reason) FILTER (state = 'not_assessed') AS reason
FROM exposures
GROUP BY bike, rule
HAVING rides_not_assessed > 0
ORDER BY bike, rule;
