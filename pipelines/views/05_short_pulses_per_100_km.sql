-- Uncommanded short pulses: as findings, and as the cause of a cancel, per 100 km.
CREATE OR REPLACE VIEW short_pulses_per_100_km AS
SELECT
    k.bike,
    k.distance_km,
    coalesce(f.pulses, 0) AS pulses_found,
    coalesce(c.cancels, 0) AS cancels_by_pulse,
    round(100.0 * coalesce(f.pulses, 0) / nullif(k.distance_km, 0), 3) AS pulses_per_100_km,
    round(100.0 * coalesce(c.cancels, 0) / nullif(k.distance_km, 0), 3) AS cancels_per_100_km
FROM (SELECT bike, round(sum(distance_km), 3) AS distance_km FROM rides GROUP BY bike) k
LEFT JOIN (
    SELECT bike, count(*) AS pulses FROM findings WHERE rule = 'switches/short-pulses' GROUP BY bike
) f USING (bike)
LEFT JOIN (
    SELECT bike, count(*) AS cancels
    FROM cancels
    WHERE commanded = false AND pulse_s <= 0.2
    GROUP BY bike
) c USING (bike)
ORDER BY k.bike;
