// The map of the machine by zone, drawn from where the server placed each zone.
import type { ZoneLink, ZoneMap, ZoneSpot } from "../server";
import { minutes, say, shortPercent } from "../texts/say";

const WIDE = 352;
const GUTTER = 36;
const BOX = (WIDE - GUTTER) / 2;
const GAP = 18;
const LINE = 21;
/** Letters of 17 px that a line of a box has room for. */
const LETTERS = 12;

/** A name in lines; what stands after a comma is left to the list below the map. */
function lines(name: string): string[] {
  const found: string[] = [];
  for (const word of (name.split(",")[0] ?? name).split(/\s+/)) {
    const last = found[found.length - 1];
    if (last !== undefined && `${last} ${word}`.length <= LETTERS) found[found.length - 1] = `${last} ${word}`;
    else found.push(word);
  }
  return found;
}

export function drawn(map: ZoneMap, onPick: (zone: string) => void) {
  const tall = 3 * LINE + 22 + LINE * Math.max(...map.zones.map((one) => lines(one.name).length));
  const pitch = tall + GAP;
  const rows = 1 + Math.max(...map.zones.map((one) => one.row));
  const columns = 1 + Math.max(...map.zones.map((one) => one.column));
  const wide = columns === 1 ? BOX : WIDE;
  const largest = Math.max(...map.zones.map((one) => one.odds), 1e-9);
  const at = new Map(map.zones.map((one) => [one.zone, one]));
  const used = new Map<string, number>();
  let lane = 0;
  const edge = (one: ZoneSpot): { x: number; y: number } => {
    const before = used.get(one.zone) ?? 0;
    used.set(one.zone, before + 1);
    return { x: one.column === 0 ? BOX : BOX + GUTTER, y: one.row * pitch + 22 + 15 * before };
  };
  const route = (link: ZoneLink): string => {
    const a = at.get(link.a);
    const b = at.get(link.b);
    if (!a || !b) return "";
    if (a.column === b.column && Math.abs(a.row - b.row) === 1) {
      const x = a.column === 0 ? BOX / 2 : WIDE - BOX / 2;
      return `M${x} ${Math.min(a.row, b.row) * pitch + tall} v${GAP}`;
    }
    const from = edge(a);
    const to = edge(b);
    if (a.row === b.row) return `M${from.x} ${from.y} L${to.x} ${to.y}`;
    const x = BOX + 9 + 7 * (lane++ % 4);
    return `M${from.x} ${from.y} H${x} V${to.y} H${to.x}`;
  };
  return (
    <svg
      viewBox={`-3 -3 ${wide + 6} ${rows * pitch - GAP + 6}`}
      style={{ maxWidth: `${Math.round(1.6 * wide)}px` }}
      role="img"
      aria-label={say("mapOf")}
    >
      {map.links.map((one) => (
        <path class="harness" d={route(one)} style={{ strokeWidth: `${2 + Math.log2(one.wires)}px` }} />
      ))}
      {map.zones.map((one) => {
        const x = one.column * (BOX + GUTTER);
        const y = one.row * pitch;
        const wet = one.low_points.length > 0 || one.pooling === "medium" || one.pooling === "high";
        const foot = y + tall - 14;
        return (
          <g class={`zone ${one.odds === largest ? "likeliest" : ""}`} onClick={() => onPick(one.zone)}>
            <rect x={x} y={y} width={BOX} height={tall} rx="10" />
            {lines(one.name).map((text, line) => <text x={x + 10} y={y + 25 + LINE * line}>{text}</text>)}
            <text class="odds" x={x + 10} y={foot - 10 - LINE}>{shortPercent(one.odds)}</text>
            <text class={one.open_min > 0 ? "reach" : ""} x={x + 10} y={foot - 8}>
              {one.open_min > 0 ? say("opensIn", { minutes: minutes(Math.max(1, one.open_min)) }) : say("zoneOpen")}
            </text>
            {wet && (
              <path class="drop" d={`M${x + BOX - 18} ${foot - 32 - LINE} q16 20 0 25 q-16 -5 0 -25`} />
            )}
            <rect class="bar-ground" x={x + 10} y={foot} width={BOX - 20} height="7" rx="3" />
            <rect class="bar-odds" x={x + 10} y={foot} width={(BOX - 20) * one.odds / largest} height="7" rx="3" />
          </g>
        );
      })}
    </svg>
  );
}
