host "larch" {}
guest "a" {
  disk "system" {
    image = "/srv/${survey.host" # want "what begins here is not closed within its text"
  }
}
