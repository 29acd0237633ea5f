// What is so once a command was done: its request goes in; a few words for a person who looks up from the machine, out.
// They say how things stand now, not that the command was done: "step 4: done" reads as if the step were.

export function answerTo(address, tags, [value], words) {
  const isOn = tags !== "F";
  switch (address) {
    case "/do/next": return "now at the next step";
    case "/do/back": return "now at the step before";
    case "/do/step": return `now at step ${value}`;
    case "/do/repeat": return "the step begins anew";
    case "/do/bank": return `now at bank ${value}`;
    case "/do/focus": return value ? `track ${value} stays in focus` : "the focus follows the hand";
    case "/do/hold": return isOn ? words.held : words.released;
    case "/do/follow": return isOn ? words.following : words.staying;
    case "/do/log": return `track ${value} is in the log`;
    case "/do/note": return value.startsWith("taken back: ") ? "the note is taken back" : "the note is in the log";
    case "/do/undo": return "the trim is withdrawn";
    case "/do/reinstate": return "the trim stands again";
    case "/do/confirm": return `${value} is confirmed`;
    case "/do/take_back": return `${value} is not confirmed any more`;
    case "/do/finish": return "the calibration is finished";
    case "/practice/tone": return "the tape winds there";
    case "/practice/path": return `${value} is heard now`;
    case "/practice/playback_level": return value ? "all tracks have moved" : "all tracks are as they were";
    case "/practice/foreign_tone": case "/practice/foreign": return "it plays now";
    default: throw new Error(`no words for the answer to ${address}`);
  }
}
