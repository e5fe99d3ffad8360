// Where on the machine the cause may be: its zones drawn with their odds, and each zone in words.
import type { RefObject } from "preact";
import { useEffect, useState } from "preact/hooks";
import { drawn } from "../parts/zones";
import { useWaiting } from "../parts/waiting";
import type { Standing } from "../phone/standing";
import { get, jobPath, partPath, type ZoneMap, type ZoneSpot } from "../server";
import { minutes, percent, say, sayLevel, shortPercent } from "../texts/say";

/** Zones below these odds are in the list only when they are tapped on the map. */
const WORTH_A_LINE = 0.003;

export function WherePart(given: {
  job: string;
  entries: number;
  heading: RefObject<HTMLHeadingElement | null>;
  here: Standing | null;
}) {
  const [had, setFound] = useState<ZoneMap | null>(null);
  const [open, setOpen] = useState("");
  const [picked, setPicked] = useState("");
  const waiting = useWaiting();
  useEffect(() => {
    waiting.look(async (signal) => setFound(await get<ZoneMap>(jobPath(given.job, "where"), signal)));
  }, [given.job, given.entries]);
  const found = had && given.here ? asHere(had, given.here) : had;
  const pick = (zone: string) => {
    setOpen(zone);
    setPicked(zone);
  };
  useEffect(() => {
    if (picked) document.getElementById(`zone-${picked}`)?.scrollIntoView({ block: "start" });
    setPicked("");
  }, [picked]);
  const listed = found
    ? [...found.zones].sort((a, b) => b.odds - a.odds)
      .filter((one, at) => at < 3 || one.odds >= WORTH_A_LINE || one.zone === open)
    : [];
  return (
    <main>
      <h1 ref={given.heading} tabIndex={-1}>{say("where")}</h1>
      <p class="help">{say("whereHelp")}</p>
      <div class="beside">
        {found && (
          <figure class="map">
            {drawn(found, pick)}
            <figcaption class="small">{say("mapLines")}</figcaption>
          </figure>
        )}
        <ul class="suspects zones">
          {listed.map((one) => (
            <ZoneLine
              key={one.zone}
              job={given.job}
              zone={one}
              open={open === one.zone}
              onOpen={() => setOpen(open === one.zone ? "" : one.zone)}
            />
          ))}
        </ul>
      </div>
      {waiting.shown}
    </main>
  );
}

/** The map as the server drew it last, with the odds and open places of this phone. */
function asHere(had: ZoneMap, here: Standing): ZoneMap {
  const zones = had.zones.map((zone) => ({
    ...zone,
    odds: here.zones[zone.zone]?.odds ?? 0,
    suspects: here.zones[zone.zone]?.suspects ?? [],
  }));
  return { ...had, zones };
}

function ZoneLine(given: { job: string; zone: ZoneSpot; open: boolean; onOpen: () => void }) {
  const one = given.zone;
  return (
    <li id={`zone-${one.zone}`}>
      <button type="button" class="suspect" aria-expanded={given.open} onClick={given.onOpen}>
        <span class="odds">{shortPercent(one.odds)}</span>
        <span class="what"><strong>{one.name}</strong></span>
      </button>
      {given.open && (
        <div class="case">
          <p>
            {one.to_open.length > 0
              ? say("zoneToOpen", { steps: one.to_open.join(", "), minutes: minutes(one.open_min) })
              : say("zoneIsOpen")}
          </p>
          {one.low_points.length > 0 && <p>{say("zoneLow", { what: one.low_points.join(", ") })}</p>}
          {one.pooling !== "none" && <p>{say("zonePools", { level: sayLevel(one.pooling) })}</p>}
          {one.suspects.length === 0 && <p>{say("noSuspects")}</p>}
          <div class="choices one-column">
            {one.suspects.map((each) => (
              <a class="button" href={partPath(given.job, "where", each.group)}>
                {each.repair} ({percent(each.odds)})
              </a>
            ))}
          </div>
        </div>
      )}
    </li>
  );
}
