// The page of one draft: sound, marks, forms, dictation and the live feed, each in a module of its own.
import { startPlayer } from "./player.js";
import { startMarks } from "./marks.js";
import { startForms } from "./forms.js";
import { startDictation } from "./dictation.js";
import { startFeed } from "./feed.js";
import { startKeys } from "./keys.js";

const desk = document.getElementById("desk");
const player = startPlayer(desk);
const marks = startMarks(desk, player);
startForms(desk);
startDictation(desk);
startFeed(desk, () => marks.refresh());
startKeys(desk, player, marks);
