// A connector's face with the cavities in question marked, and in words where each lead goes.
import type { Face, Lead } from "../server";
import { type Key, say } from "../texts/say";

const CELL = 48;
const EDGE = 14;
/** Largest scale of a face, the width a phone leaves it, and the size no number may fall below, in CSS pixels. */
const LARGEST = 1.6;
const ROOM = 350;
const READABLE = 18;
/** A number of two digits taller than this does not fit into its cavity; then only marked ones are numbered. */
const FITS = 30;

const MARKS: Record<string, { sign: string; words: Key }> = {
  red: { sign: "+", words: "redLead" },
  black: { sign: "−", words: "blackLead" },
  place: { sign: "•", words: "here" },
  apart: { sign: "↔", words: "apart" },
};

export function FaceDrawing({ face }: { face: Face }) {
  const wide = face.columns * CELL + 2 * EDGE;
  const high = face.rows * CELL + 2 * EDGE;
  const marked = face.cavities.filter((one) => one.mark);
  const scale = Math.min(LARGEST, ROOM / wide);
  const letters = Math.max(20, READABLE / scale);
  const told = marked.map((one) =>
    say("faceMark", { lead: say(MARKS[one.mark]?.words ?? "here"), cavity: one.name }));
  const heading = [face.connector, face.half].filter(Boolean).join(", ");
  const turned = face.faces === "down" ? "facesDown" : face.faces === "up" ? "facesUp" : "facesSide";
  return (
    <figure class="face">
      <figcaption>
        <strong>{heading}</strong> {face.name && face.name !== face.connector ? face.name : ""}
        <br />
        {face.zone}, {say(turned)}
      </figcaption>
      <svg
        viewBox={`0 0 ${wide} ${high}`}
        style={{ maxWidth: `${Math.round(wide * LARGEST)}px` }}
        role="img"
        aria-label={say("faceOf", { name: heading, marks: told.join(", ") || face.name })}
      >
        <rect class="housing" x="2" y="2" width={wide - 4} height={high - 4} rx="12" />
        {face.cavities.map((one) => {
          const x = EDGE + one.column * CELL + CELL / 2;
          const y = EDGE + one.row * CELL + CELL / 2;
          return (
            <g class={`cavity ${one.mark}`}>
              <circle cx={x} cy={y} r={one.mark ? 22 : 19} />
              {(one.mark || letters <= FITS) && (
                <text x={x} y={y + 0.35 * letters} style={{ fontSize: `${letters}px` }}>{one.name}</text>
              )}
              {one.mark && (
                <text class="sign" x={x + 18} y={y - 10} style={{ fontSize: `${letters + 2}px` }}>
                  {MARKS[one.mark]?.sign}
                </text>
              )}
            </g>
          );
        })}
      </svg>
    </figure>
  );
}

export function LeadList({ leads }: { leads: Lead[] }) {
  return (
    <ul class="leads">
      {leads.map((lead) => (
        <li class={lead.mark}>
          <span class="lead-sign" aria-hidden="true">{MARKS[lead.mark]?.sign}</span>
          <span>
            <strong>{say(MARKS[lead.mark]?.words ?? "here")}:</strong> {lead.words}
            {lead.wires && <><br />{lead.wires}</>}
          </span>
        </li>
      ))}
    </ul>
  );
}
