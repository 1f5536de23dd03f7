package record

// ActionRecordRead is the action of an entry that says that somebody from outside the clinic was shown what is stored of people. Its reason says
// what was asked for; it writes nothing.
const ActionRecordRead = "record.read"
