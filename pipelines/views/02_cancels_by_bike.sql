-- How often cruise disengaged, of what cause, commanded or not, and per 100 km with cruise engaged.
CREATE OR REPLACE VIEW cancels_by_bike AS
SELECT
    c.bike,
    c.cause,
    CASE WHEN c.commanded THEN 'commanded' WHEN NOT c.commanded THEN 'uncommanded' ELSE 'undetermined' END
        AS asked_for,
    count(*) AS cancels,
    count(DISTINCT c.ride) AS rides,
    round(100.0 * count(*) / nullif(any_value(k.engaged_km), 0), 2) AS per_100_engaged_km
FROM cancels c
JOIN (SELECT bike, sum(engaged_km) AS engaged_km FROM rides GROUP BY bike) k USING (bike)
GROUP BY c.bike, c.cause, asked_for
ORDER BY c.bike, cancels DESC, c.cause, asked_for;
